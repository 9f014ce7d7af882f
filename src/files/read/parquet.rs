//! GeoParquet 1.0 and 1.1 (OGC), with the cargo feature `parquet`: shapes in well-known binary
//! and the plain columns beside them. Nested columns, such as the boxes that some programs
//! add, are left out.

use std::fs::File;
use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use parquet::basic::{ConvertedType, LogicalType, TimeUnit, Type as Physical};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::{Field, Row};
use parquet::schema::types::Type;
use serde_json::Value;

use super::system::{Said, to_lonlat};
use super::{FileError, Request, Take, wkb};
use crate::files::{Properties, RawFeature, RawShape};
use crate::frame::System;
use crate::record::SourcePlace;

/// The column of shapes, and the columns that hold moments.
struct Layout {
    shapes: String,
    moments: Vec<(String, Moments)>,
}

/// How a column counts moments from the start of 1970.
#[derive(Clone, Copy)]
struct Moments {
    nanoseconds: i128,
    /// Whether in UTC; otherwise on the clock of the place.
    utc: bool,
}

impl Layout {
    fn moments_of(&self, column: &str) -> Option<Moments> {
        self.moments.iter().find(|(name, _)| name == column).map(|(_, moments)| *moments)
    }
}

impl Moments {
    fn text(self, count: i64) -> Option<Value> {
        let moment = Timestamp::from_nanosecond(i128::from(count) * self.nanoseconds).ok()?;
        let clock = || moment.to_zoned_datetime(TimeZone::UTC).datetime().to_string();
        Some(Value::from(if self.utc { moment.to_string() } else { clock() }))
    }
}

pub(super) fn read(request: &Request, take: Take) -> Result<usize, FileError> {
    let file = File::open(request.place).map_err(|e| FileError::open(request.path, &e))?;
    let damaged =
        |why: parquet::errors::ParquetError| request.wrong(format!("is a damaged Parquet file: {why}"));
    let reader = SerializedFileReader::new(file).map_err(damaged)?;
    let columns = geometry_columns(request, &reader)?;
    let (shapes, description) = chosen(request, &columns)?;
    let system = system_of(request, description)?;
    let fields = wanted(&reader, shapes).ok_or_else(|| {
        request.wrong(format!("has no column \"{shapes}\" of well-known binary, which its description names"))
    })?;
    let layout = Layout { shapes: shapes.clone(), moments: moments(&fields) };
    let rows = Type::group_type_builder("schema").with_fields(fields).build();
    let rows = reader.get_row_iter(Some(rows.map_err(damaged)?)).map_err(damaged)?;
    let name: Arc<Path> = Arc::from(request.path);
    let mut count = 0;
    for row in rows {
        let (shape, properties) = feature_of(row.map_err(damaged)?, &layout);
        let source = SourcePlace { file: name.clone(), index: count, id: None };
        take(RawFeature { shape: to_lonlat(shape, &system), properties, source });
        count += 1;
    }
    Ok(count)
}

/// What the file's `geo` description says of its columns of shapes.
fn geometry_columns(
    request: &Request,
    reader: &SerializedFileReader<File>,
) -> Result<serde_json::Map<String, Value>, FileError> {
    let pairs = reader.metadata().file_metadata().key_value_metadata();
    let text = pairs.and_then(|pairs| pairs.iter().find(|pair| pair.key == "geo")?.value.as_deref());
    let Some(text) = text else {
        return Err(request.wrong(
            "is a Parquet file without the description \"geo\" that makes it GeoParquet; export it again as \
             GeoParquet or GeoPackage",
        ));
    };
    let description: Value = serde_json::from_str(text)
        .map_err(|e| request.wrong(format!("has a description \"geo\" that is not valid JSON: {e}")))?;
    let primary = description.get("primary_column").and_then(Value::as_str).unwrap_or_default();
    let mut columns = description.get("columns").and_then(Value::as_object).cloned().unwrap_or_default();
    // The primary column first: it is the one read unless another is asked for.
    if let Some(first) = columns.shift_remove(primary) {
        columns.shift_insert(0, primary.to_string(), first);
    }
    Ok(columns)
}

/// The column of shapes to read, with its description.
fn chosen<'c>(
    request: &Request,
    columns: &'c serde_json::Map<String, Value>,
) -> Result<(&'c String, &'c Value), FileError> {
    let names = || columns.keys().cloned().collect::<Vec<_>>().join(", ");
    let found = match &request.options.layer {
        Some(wanted) => {
            columns.iter().find(|(name, _)| name.eq_ignore_ascii_case(wanted)).ok_or_else(|| {
                request.wrong(format!("has no column of shapes \"{wanted}\"; it has: {}", names()))
            })?
        }
        None => columns.iter().next().ok_or_else(|| request.wrong("describes no column of shapes"))?,
    };
    match found.1.get("encoding").and_then(Value::as_str) {
        Some("WKB") => Ok(found),
        other => Err(request.wrong(format!(
            "holds its shapes in the encoding \"{}\", where well-known binary (WKB) is read; export it with \
             encoding WKB",
            other.unwrap_or("none")
        ))),
    }
}

/// No member `crs` means longitude and latitude on WGS84; `null` means that nobody knows.
fn system_of(request: &Request, column: &Value) -> Result<System, FileError> {
    let said = match column.get("crs") {
        None => Said::MeansWgs84,
        Some(Value::Null) => Said::Nothing,
        Some(crs) => {
            let authority = crs.pointer("/id/authority").and_then(Value::as_str).unwrap_or_default();
            let code = crs.pointer("/id/code");
            match (
                authority,
                code.and_then(Value::as_u64).and_then(|code| u32::try_from(code).ok()),
                code.and_then(Value::as_str),
            ) {
                ("EPSG", Some(epsg), _) => Said::System(request.known(System::from_epsg(epsg))?),
                ("OGC", _, Some("CRS84")) => Said::System(System::wgs84()),
                _ => {
                    return Err(request.wrong(format!(
                        "is in the system \"{}\", which has no EPSG code; export it in one that has",
                        crs.get("name").and_then(Value::as_str).unwrap_or("without a name")
                    )));
                }
            }
        }
    };
    request.system(said, None)
}

/// The column of shapes and every plain column; `None` where the first is not there.
fn wanted(reader: &SerializedFileReader<File>, shapes: &str) -> Option<Vec<Arc<Type>>> {
    let fields = reader.metadata().file_metadata().schema().get_fields();
    let binary = |field: &Type| field.is_primitive() && field.get_physical_type() == Physical::BYTE_ARRAY;
    fields.iter().find(|field| field.name() == shapes && binary(field))?;
    Some(fields.iter().filter(|field| field.name() == shapes || is_plain(field)).cloned().collect())
}

/// Text, numbers, truth values, days and times. The library cannot turn the rest into values.
fn is_plain(field: &Type) -> bool {
    use ConvertedType as C;
    if !field.is_primitive() {
        return false;
    }
    let kind = field.get_basic_info().converted_type();
    match field.get_physical_type() {
        Physical::BOOLEAN | Physical::FLOAT | Physical::DOUBLE | Physical::INT96 => true,
        Physical::INT32 => !matches!(kind, C::DECIMAL | C::UTF8 | C::ENUM | C::JSON),
        Physical::INT64 => {
            matches!(kind, C::NONE | C::INT_64 | C::UINT_64 | C::TIMESTAMP_MILLIS | C::TIMESTAMP_MICROS)
        }
        Physical::BYTE_ARRAY => matches!(kind, C::UTF8 | C::ENUM | C::JSON),
        Physical::FIXED_LEN_BYTE_ARRAY => false,
    }
}

fn moments(fields: &[Arc<Type>]) -> Vec<(String, Moments)> {
    let of = |field: &Arc<Type>| {
        let Some(LogicalType::Timestamp(stamp)) = field.get_basic_info().logical_type_ref() else {
            return None;
        };
        let nanoseconds = match stamp.unit {
            TimeUnit::MILLIS => 1_000_000,
            TimeUnit::MICROS => 1_000,
            TimeUnit::NANOS => 1,
        };
        Some((field.name().to_string(), Moments { nanoseconds, utc: stamp.is_adjusted_to_u_t_c }))
    };
    fields.iter().filter_map(of).collect()
}

fn feature_of(row: Row, layout: &Layout) -> (RawShape, Properties) {
    let mut shape = RawShape::Null;
    let mut properties = Properties::new();
    for (name, field) in row.into_columns() {
        if name == layout.shapes {
            shape = shape_of(&field);
        } else if let Some(value) = value_of(field, layout.moments_of(&name)) {
            properties.insert(name, value);
        }
    }
    (shape, properties)
}

fn shape_of(field: &Field) -> RawShape {
    match field {
        Field::Bytes(bytes) => wkb::shape(bytes.data()),
        _ => RawShape::Null,
    }
}

/// The value as GeoJSON would have it; days and times as ISO 8601 writes them.
fn value_of(field: Field, moments: Option<Moments>) -> Option<Value> {
    // What says no more than its unit is in UTC, as the format has it.
    let plain = |nanoseconds| Moments { nanoseconds, utc: true };
    Some(match field {
        Field::Bool(b) => Value::from(b),
        Field::Byte(n) => Value::from(n),
        Field::Short(n) => Value::from(n),
        Field::Int(n) => Value::from(n),
        Field::Long(n) => match moments {
            Some(moments) => moments.text(n)?,
            None => Value::from(n),
        },
        Field::UByte(n) => Value::from(n),
        Field::UShort(n) => Value::from(n),
        Field::UInt(n) => Value::from(n),
        Field::ULong(n) => Value::from(n),
        Field::Float(n) => Value::from(n),
        Field::Double(n) => Value::from(n),
        Field::Str(text) => Value::from(text),
        Field::Date(days) => Value::from(day(days)?.to_string()),
        Field::TimeMillis(ms) => Value::from(clock(ms)?.to_string()),
        Field::TimestampMillis(n) => moments.unwrap_or(plain(1_000_000)).text(n)?,
        Field::TimestampMicros(n) => moments.unwrap_or(plain(1_000)).text(n)?,
        _ => return None,
    })
}

/// The day so many days after 1970-01-01.
fn day(days: i32) -> Option<Date> {
    jiff::civil::date(1970, 1, 1).checked_add(jiff::Span::new().try_days(days).ok()?).ok()
}

/// The time of day so many milliseconds after midnight.
fn clock(ms: i32) -> Option<Time> {
    Time::midnight().checked_add(jiff::Span::new().try_milliseconds(ms).ok()?).ok()
}
