//! KML 2.2 and KMZ: a feature for every Placemark that holds a geometry, streamed. Heights are
//! left out; models and overlays are no features. The document and folder names come as the
//! property `folder`, `ExtendedData` as properties of their own names.

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::sync::Arc;

use geo_types::{
    Coord, Geometry, GeometryCollection, LineString, MultiLineString, MultiPoint, MultiPolygon, Point,
    Polygon,
};
use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};
use serde_json::Value;

use super::{FileError, Input, Request, Take};
use crate::files::{Properties, RawFeature, RawShape};
use crate::record::SourcePlace;

/// Elements may be nested this deep; KML written by programs stays under 30.
const MAX_DEPTH: usize = 200;

/// The most that a KMZ may unpack to. A larger one is more likely a bomb than a map.
const MAX_UNPACKED_BYTES: u64 = 512 << 20;

pub(super) fn read(request: &Request, input: &mut Input, take: Take) -> Result<usize, FileError> {
    let mut count = 0;
    parse(request, BufReader::with_capacity(1 << 16, input.by_ref()), take, &mut count)?;
    Ok(count)
}

/// Reads every `.kml` of a KMZ archive: the main one links to the others, where there are some.
pub(super) fn read_zipped(request: &Request, take: Take) -> Result<usize, FileError> {
    let file = File::open(request.place).map_err(|e| FileError::open(request.path, &e))?;
    let broken = |e: zip::result::ZipError| request.wrong(format!("is an archive that cannot be read: {e}"));
    let mut archive = zip::ZipArchive::new(BufReader::new(file)).map_err(broken)?;
    let mut names: Vec<String> =
        archive.file_names().filter_map(Result::ok).map(|name| name.into_owned()).collect();
    names.sort_by_key(|name| (name.len(), name.clone()));
    let ends = |name: &&String, ending: &str| name.to_lowercase().ends_with(ending);
    let documents: Vec<&String> = names.iter().filter(|name| ends(name, ".kml")).collect();
    if documents.is_empty() {
        return Err(request.wrong(match names.iter().find(|name| ends(name, ".shp")) {
            Some(shp) => format!("is an archive with a Shapefile in it; unpack it and name {shp}"),
            None => "is an archive without a .kml in it; unpack it and name the layer itself".into(),
        }));
    }
    let (mut count, mut room) = (0, MAX_UNPACKED_BYTES);
    for name in documents {
        let entry = archive.by_name(name).map_err(broken)?;
        let mut bounded = BufReader::with_capacity(1 << 16, entry.take(room));
        let parsed = parse(request, &mut bounded, &mut *take, &mut count);
        room = bounded.get_ref().limit();
        if room == 0 {
            return Err(request.wrong(format!(
                "unpacks to more than {} MB; unpack it yourself if you trust it, and name the .kml",
                MAX_UNPACKED_BYTES >> 20
            )));
        }
        parsed?;
    }
    Ok(count)
}

/// Passes on every Placemark of a document, numbered from `count` on.
fn parse(request: &Request, text: impl BufRead, take: Take, count: &mut usize) -> Result<(), FileError> {
    let mut walk = Walk::default();
    let mut xml = Reader::from_reader(text);
    let mut buffer = Vec::new();
    let file: Arc<Path> = Arc::from(request.path);
    loop {
        let event = xml
            .read_event_into(&mut buffer)
            .map_err(|e| request.wrong(format!("is not valid XML at byte {}: {e}", xml.error_position())))?;
        if let Event::Start(start) | Event::Empty(start) = &event
            && request.options.strict
            && start.local_name().as_ref() == "NetworkLink"
        {
            return Err(request.wrong(
                "links to another file (NetworkLink), which is not read; save what it shows into the file itself",
            ));
        }
        match event {
            Event::Start(start) => walk.open(&start).map_err(|why| request.wrong(why))?,
            Event::Empty(start) => {
                walk.open(&start).map_err(|why| request.wrong(why))?;
                walk.close();
            }
            Event::End(_) => {
                if let Some((shape, properties, id)) = walk.close() {
                    let source = SourcePlace { file: file.clone(), index: *count, id };
                    take(RawFeature { shape, properties, source });
                    *count += 1;
                }
            }
            Event::Text(text) => walk.text(&text),
            Event::CData(text) => walk.text(&text),
            Event::GeneralRef(name) => {
                walk.text(&entity(&name).map_or_else(|| format!("&{};", &*name), String::from));
            }
            Event::Eof if walk.names.is_empty() => return Ok(()),
            Event::Eof => {
                return Err(request.wrong("ends before it is whole; it looks cut short, copy it again"));
            }
            _ => {}
        }
        buffer.clear();
    }
}

/// The text of a predefined entity or a character reference. Entities that a document defines
/// for itself are not expanded.
fn entity(name: &str) -> Option<char> {
    match name {
        "amp" => Some('&'),
        "lt" => Some('<'),
        "gt" => Some('>'),
        "quot" => Some('"'),
        "apos" => Some('\''),
        _ => {
            let code = name.strip_prefix('#')?;
            let code = match code.strip_prefix(['x', 'X']) {
                Some(hex) => u32::from_str_radix(hex, 16).ok()?,
                None => code.parse().ok()?,
            };
            char::from_u32(code)
        }
    }
}

/// A feature read: shape, properties, id.
type Found = (RawShape, Properties, Option<Arc<str>>);

/// Where in the document the reader stands, and the Placemark in the making.
#[derive(Default)]
struct Walk {
    /// Local names of the open elements.
    names: Vec<String>,
    /// The text of the innermost element.
    text: String,
    /// Names of the open folders, by depth.
    folders: Vec<(usize, String)>,
    place: Option<Placemark>,
}

#[derive(Default)]
struct Placemark {
    depth: usize,
    id: Option<Arc<str>>,
    properties: Properties,
    key: Option<String>,
    /// Open collections; the outermost is the Placemark itself.
    collections: Vec<Vec<Geometry<f64>>>,
    coords: Vec<Coord<f64>>,
    rings: Vec<LineString<f64>>,
    track: Vec<Coord<f64>>,
    fault: Option<String>,
}

impl Walk {
    fn open(&mut self, start: &BytesStart) -> Result<(), String> {
        let name = start.local_name().as_ref().to_string();
        let attribute = |wanted: &str| {
            let found = start.try_get_attribute(wanted).ok().flatten()?;
            Some(found.value.into_owned())
        };
        if self.names.len() >= MAX_DEPTH {
            return Err(format!("is nested deeper than {MAX_DEPTH} elements"));
        }
        match (name.as_str(), &mut self.place) {
            ("Placemark", None) => {
                self.place = Some(Placemark {
                    depth: self.names.len(),
                    id: attribute("id").map(Arc::from),
                    collections: vec![Vec::new()],
                    ..Default::default()
                });
            }
            ("Data" | "SimpleData", Some(place)) => place.key = attribute("name"),
            ("MultiGeometry" | "MultiTrack", Some(place)) => place.collections.push(Vec::new()),
            ("Polygon", Some(place)) => place.rings.clear(),
            ("Track", Some(place)) => place.track.clear(),
            _ => {}
        }
        self.names.push(name);
        self.text.clear();
        Ok(())
    }

    fn text(&mut self, text: &str) {
        self.text.push_str(text);
    }

    fn parent(&self) -> &str {
        self.names.last().map_or("", String::as_str)
    }

    /// Closes the innermost element; gives the feature when that was a Placemark.
    fn close(&mut self) -> Option<Found> {
        let name = self.names.pop()?;
        let text = std::mem::take(&mut self.text);
        let (depth, parent) = (self.names.len(), self.parent().to_string());
        let Some(place) = &mut self.place else {
            if name == "name" && matches!(parent.as_str(), "Folder" | "Document") {
                self.folders.push((depth, text.trim().to_string()));
            } else if matches!(name.as_str(), "Folder" | "Document") {
                self.folders.retain(|(at, _)| *at <= depth);
            }
            return None;
        };
        if name == "Placemark" && depth == place.depth {
            let folder = self.folders.last().map(|(_, name)| name.clone());
            return self.place.take().and_then(|place| place.finish(folder));
        }
        place.take(&name, &parent, text.trim());
        None
    }
}

impl Placemark {
    fn take(&mut self, name: &str, parent: &str, text: &str) {
        match name {
            "name" | "description" | "address" if parent == "Placemark" => {
                let key = if name == "description" { "note" } else { name };
                self.set(key, text);
            }
            "when" if parent == "TimeStamp" => self.set("date", text),
            "begin" if parent == "TimeSpan" => self.set("date", text),
            "end" if parent == "TimeSpan" => self.set("until", text),
            "value" | "SimpleData" => {
                if let Some(key) = self.key.take() {
                    self.set(&key, text);
                }
            }
            "coordinates" => match coordinates(text) {
                Ok(coords) => self.coords = coords,
                Err(why) => self.fault = Some(why),
            },
            "coord" => match coordinates(&text.split_whitespace().collect::<Vec<_>>().join(",")) {
                Ok(coords) => self.track.extend(coords),
                Err(why) => self.fault = Some(why),
            },
            "Point" => match std::mem::take(&mut self.coords).first() {
                Some(&c) => self.put(Geometry::Point(Point(c))),
                None => self.fault = self.fault.take().or(Some("has a point without coordinates".into())),
            },
            "LineString" => self.line(),
            "LinearRing" if parent == "outerBoundaryIs" || parent == "innerBoundaryIs" => {
                let ring = std::mem::take(&mut self.coords);
                if ring.len() < 4 || ring.first() != ring.last() {
                    self.fault = Some(format!(
                        "has a ring of {} position(s), where four are needed and the last is the first",
                        ring.len()
                    ));
                }
                let at = if parent == "outerBoundaryIs" { 0 } else { self.rings.len() };
                self.rings.insert(at, LineString(ring));
            }
            "LinearRing" => self.line(),
            "Polygon" => {
                let mut rings = std::mem::take(&mut self.rings).into_iter();
                match rings.next() {
                    Some(outer) => self.put(Geometry::Polygon(Polygon::new(outer, rings.collect()))),
                    None => self.fault = self.fault.take().or(Some("has a polygon without a ring".into())),
                }
            }
            "Track" => {
                self.coords = std::mem::take(&mut self.track);
                self.line();
            }
            "MultiGeometry" | "MultiTrack" => {
                if let Some(parts) = self.collections.pop() {
                    self.put(gathered(parts));
                }
            }
            _ => {}
        }
    }

    fn set(&mut self, key: &str, text: &str) {
        if !text.is_empty() && !self.properties.contains_key(key) {
            self.properties.insert(key.to_string(), Value::from(text));
        }
    }

    fn line(&mut self) {
        let coords = std::mem::take(&mut self.coords);
        match coords.len() {
            n @ (0 | 1) => self.fault = Some(format!("has a line of {n} position(s), where two are needed")),
            _ => self.put(Geometry::LineString(LineString(coords))),
        }
    }

    fn put(&mut self, geometry: Geometry<f64>) {
        if let Some(parts) = self.collections.last_mut() {
            parts.push(geometry);
        }
    }

    /// The feature, unless the Placemark marks no place at all.
    fn finish(mut self, folder: Option<String>) -> Option<Found> {
        if let Some(folder) = folder {
            self.set("folder", &folder);
        }
        let mut parts = self.collections.into_iter().flatten().collect::<Vec<_>>();
        let shape = match (self.fault, parts.len()) {
            (Some(fault), _) => RawShape::Broken(fault),
            (None, 0) => RawShape::Null,
            (None, 1) => RawShape::Shape(parts.remove(0)),
            (None, _) => RawShape::Shape(gathered(parts)),
        };
        Some((shape, self.properties, self.id))
    }
}

/// Parts of one kind as a multi-geometry, mixed ones as a collection.
fn gathered(parts: Vec<Geometry<f64>>) -> Geometry<f64> {
    fn all<T: TryFrom<Geometry<f64>>>(parts: &[Geometry<f64>]) -> Option<Vec<T>> {
        parts.iter().cloned().map(|part| T::try_from(part).ok()).collect()
    }
    if parts.is_empty() {
        return Geometry::GeometryCollection(GeometryCollection::from(parts));
    }
    if let Some(points) = all::<Point<f64>>(&parts) {
        Geometry::MultiPoint(MultiPoint(points))
    } else if let Some(lines) = all::<LineString<f64>>(&parts) {
        Geometry::MultiLineString(MultiLineString(lines))
    } else if let Some(polygons) = all::<Polygon<f64>>(&parts) {
        Geometry::MultiPolygon(MultiPolygon(polygons))
    } else {
        Geometry::GeometryCollection(GeometryCollection::from(parts))
    }
}

/// Tuples parted by white space, numbers by commas: longitude, latitude and, if given, height.
fn coordinates(text: &str) -> Result<Vec<Coord<f64>>, String> {
    text.split_whitespace()
        .map(|tuple| {
            let mut numbers = tuple.split(',').map(str::parse::<f64>);
            match (numbers.next(), numbers.next()) {
                (Some(Ok(x)), Some(Ok(y))) => Ok(Coord { x, y }),
                _ => Err(format!("has the coordinates \"{tuple}\", where longitude,latitude is wanted")),
            }
        })
        .collect()
}
