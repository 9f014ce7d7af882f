//! GeoJSON (RFC 7946), streamed: features are passed on one by one while the text is read.
//!
//! Accepted as root: a feature collection, a feature, a bare geometry, and features one after
//! the other (newline-delimited, RFC 8142). Structure that
//! breaks the standard inside one feature spoils that feature only.

use std::io;
use std::path::Path;
use std::sync::Arc;

use rayon::prelude::*;
use serde::de::DeserializeSeed;
use serde_json::Value;

use super::system::{Said, to_lonlat};
use super::{FileError, Input, Request, Take};
use crate::files::{RawFeature, RawShape};
use crate::frame::System;
use crate::record::SourcePlace;

mod fault;
mod feature;
mod geometry;
mod locate;
mod member;
mod root;
mod system;
mod text;

use feature::{FeatureParts, OneFeature};
use geometry::twice;
pub(super) use locate::locate;
use member::Names;
use root::Root;
use text::{Piece, Span, Text};

/// Bytes of features that are parsed together.
const BATCH_BYTES: usize = 1 << 20;

/// The fewest features worth a thread of their own.
const FEATURES_A_THREAD: usize = 64;

pub(super) fn read(request: &Request, input: &mut Input, take: Take) -> Result<usize, FileError> {
    let sink = Sink { file: Arc::from(request.path), count: 0, system: None, take };
    let mut reading = Reading { request, text: Text::new(input), sink };
    match reading.root() {
        Ok(()) => Ok(reading.sink.count),
        Err(Stop::File(why)) => Err(why),
        Err(Stop::Io(e)) => Err(request.wrong(format!("cannot be read to its end: {e}"))),
        Err(Stop::Syntax) => Err(fault::found_by_strict_reading(request)),
    }
}

/// Why reading stops.
enum Stop {
    /// The file's error is known.
    File(FileError),
    /// The system refused.
    Io(io::Error),
    /// The text is not JSON; where, is for a strict reader to say.
    Syntax,
}

impl From<FileError> for Stop {
    fn from(why: FileError) -> Self {
        Stop::File(why)
    }
}

impl From<io::Error> for Stop {
    fn from(why: io::Error) -> Self {
        Stop::Io(why)
    }
}

/// One file being read. The text is cut into features by a quick look at brackets and quotes;
/// a batch of features is then parsed on all threads and passed on in order.
struct Reading<'r, 'i, 't> {
    request: &'r Request<'r>,
    text: Text<'i>,
    sink: Sink<'t>,
}

impl Reading<'_, '_, '_> {
    /// The root: a collection, whose features are passed on as they come; one feature or
    /// geometry; or a sequence of features, one after the other (RFC 8142 and its kin).
    fn root(&mut self) -> Result<(), Stop> {
        if self.text.peek()? != Some(b'{') {
            return Err(self.not_an_object()?);
        }
        let frame = self.frame()?;
        let mut json = serde_json::Deserializer::from_slice(&frame);
        let root = Root.deserialize(&mut json).map_err(|_| Stop::Syntax)?;
        let (kind, parts) = root.map_err(|what| self.not_geojson(&what))?;
        self.check_late_system(&frame)?;
        if let Some(parts) = parts {
            if self.sink.system.is_none() {
                let members: Value = serde_json::from_slice(&frame).map_err(|_| Stop::Syntax)?;
                self.choose_system(members.get("crs"))?;
            }
            self.sink.put(parts);
        }
        match (self.text.peek()?, kind.as_str()) {
            (None, _) => Ok(()),
            (Some(b'{'), "Feature") => self.sequence(),
            (Some(b'{'), _) => {
                Err(self.not_geojson("more than one object stands in it, and the first is no feature").into())
            }
            _ => Err(Stop::Syntax),
        }
    }

    fn not_geojson(&self, what: &str) -> FileError {
        self.request.wrong(format!("is JSON but not GeoJSON: {what}"))
    }

    fn not_an_object(&mut self) -> Result<Stop, Stop> {
        let what = match self.text.peek()? {
            Some(b'[') => "the root is a list, not an object",
            Some(b'"') => "the root is a text, not an object",
            Some(b't' | b'f') => "the root is true or false, not an object",
            Some(b'n') => "the root is null",
            Some(b'-' | b'0'..=b'9') => "the root is a number, not an object",
            _ => return Ok(Stop::Syntax),
        };
        Ok(Stop::File(fault::strict(self.request).unwrap_or_else(|| self.not_geojson(what))))
    }

    /// The root object without the features in it, which are passed on.
    fn frame(&mut self) -> Result<Vec<u8>, Stop> {
        let mut frame = Vec::new();
        self.expect(b'{', &mut frame)?;
        while self.text.peek()? != Some(b'}') {
            let key = self.text.value()?.ok_or(Stop::Syntax)?;
            let is_features = self.text.slice(key) == b"\"features\"";
            frame.extend_from_slice(self.text.slice(key));
            self.expect(b':', &mut frame)?;
            if is_features && self.sink.system.is_some() {
                return Err(self.not_geojson(&twice("features")).into());
            }
            if is_features && self.text.peek()? == Some(b'[') {
                let ahead: Vec<u8> = [&frame, b"null}".as_slice()].concat();
                let ahead: Value = serde_json::from_slice(&ahead).map_err(|_| Stop::Syntax)?;
                self.choose_system(ahead.get("crs"))?;
                self.list()?;
                frame.extend_from_slice(b"[]");
            } else {
                let value = self.text.value()?.ok_or(Stop::Syntax)?;
                frame.extend_from_slice(self.text.slice(value));
            }
            self.text.release();
            if self.text.peek()? != Some(b'}') {
                self.expect(b',', &mut frame)?;
                if self.text.peek()? == Some(b'}') {
                    return Err(Stop::Syntax);
                }
            }
        }
        self.expect(b'}', &mut frame)?;
        Ok(frame)
    }

    fn expect(&mut self, byte: u8, frame: &mut Vec<u8>) -> Result<(), Stop> {
        frame.push(byte);
        if self.text.step(byte)? { Ok(()) } else { Err(Stop::Syntax) }
    }

    /// The system, by the old member `crs` if there is one. RFC 7946 allows WGS84 alone, and
    /// older files say what they are in.
    fn choose_system(&mut self, crs: Option<&Value>) -> Result<(), Stop> {
        let said =
            match crs.map(system::system_of).transpose().map_err(|why| self.request.wrong(why))?.flatten() {
                None => Said::MeansWgs84,
                Some(system) => Said::System(system),
            };
        self.sink.system = Some(self.request.system(said, None)?);
        Ok(())
    }

    /// A system named behind the features came too late for them, unless it is the one that
    /// they were read in.
    fn check_late_system(&self, frame: &[u8]) -> Result<(), Stop> {
        let Some(used) = &self.sink.system else { return Ok(()) };
        let members: Value = serde_json::from_slice(frame).map_err(|_| Stop::Syntax)?;
        let Some(crs) = members.get("crs") else { return Ok(()) };
        match system::system_of(crs).map_err(|why| self.request.wrong(why))? {
            Some(late) if late.name() != used.name() => Err(Stop::File(self.request.wrong(format!(
                "names its system ({}) behind its features, which are read from first to last; put the member \
                 \"crs\" ahead of \"features\", or write epsg = CODE in its layer of the plan",
                late.name()
            )))),
            _ => Ok(()),
        }
    }

    /// The features of a list.
    fn list(&mut self) -> Result<(), Stop> {
        let syntax = |found: bool| if found { Ok(()) } else { Err(Stop::Syntax) };
        syntax(self.text.step(b'[')?)?;
        self.text.release();
        let mut first = true;
        self.features(|text| {
            if text.peek()? == Some(b']') {
                return Ok(None);
            }
            if !std::mem::take(&mut first) {
                syntax(text.step(b',')?)?;
            }
            text.value()?.ok_or(Stop::Syntax).map(Some)
        })?;
        syntax(self.text.step(b']')?)
    }

    /// The features that stand one after the other to the end of the file.
    fn sequence(&mut self) -> Result<(), Stop> {
        self.text.release();
        self.features(|text| match text.peek()? {
            Some(_) => text.value()?.ok_or(Stop::Syntax).map(Some),
            None => Ok(None),
        })
    }

    /// Passes on features in order. While a batch is parsed on all threads, the one before it
    /// is passed on and the text of the one after it is cut.
    fn features(
        &mut self,
        mut next: impl FnMut(&mut Text) -> Result<Option<Span>, Stop>,
    ) -> Result<(), Stop> {
        let mut batch = self.batch(&mut next)?;
        let mut parsed = Vec::new();
        while !batch.spans.is_empty() {
            let mut parsing = Vec::new();
            let following = rayon::in_place_scope(|scope| {
                scope.spawn(|_| parsing = batch.parse());
                self.pass_on(std::mem::take(&mut parsed))?;
                // A fault here is told after those of the features before it.
                Ok::<_, Stop>(self.batch(&mut next))
            })?;
            parsed = parsing;
            batch = match following {
                Ok(batch) => batch,
                Err(stop) => {
                    self.pass_on(parsed)?;
                    return Err(stop);
                }
            };
        }
        self.pass_on(parsed)
    }

    /// The text of the next features, up to a batch full.
    fn batch(
        &mut self,
        next: &mut impl FnMut(&mut Text) -> Result<Option<Span>, Stop>,
    ) -> Result<Batch, Stop> {
        let mut spans = Vec::new();
        while self.text.held() < BATCH_BYTES {
            let Some(span) = next(&mut self.text)? else { break };
            spans.push(span);
        }
        Ok(Batch { text: self.text.cut(), spans })
    }

    fn pass_on(&mut self, parsed: Vec<Parsed>) -> Result<(), Stop> {
        for parts in parsed {
            self.sink.put(parts.map_err(|(start, e)| fault::in_feature(self.request, start, &e))?);
        }
        Ok(())
    }
}

/// A feature, or where in the file its text begins and why it is no JSON.
type Parsed = Result<FeatureParts, (u64, serde_json::Error)>;

/// The text of some features.
struct Batch {
    text: Piece,
    spans: Vec<Span>,
}

impl Batch {
    fn parse(&self) -> Vec<Parsed> {
        let parse = |names: &mut Names, span: &Span| {
            let mut json = serde_json::Deserializer::from_slice(self.text.slice(*span));
            let parts = OneFeature(names).deserialize(&mut json).and_then(|parts| json.end().map(|()| parts));
            parts.map_err(|e| (span.start, e))
        };
        self.spans.par_iter().with_min_len(FEATURES_A_THREAD).map_init(Names::default, parse).collect()
    }
}

/// Visitor methods for JSON values of a kind that has no place here: each reads the value
/// to its end and answers with the same value, so that reading can go on.
macro_rules! otherwise {
    ($value:ty, $answer:expr) => {
        fn visit_seq<S: SeqAccess<'de>>(self, mut seq: S) -> Result<$value, S::Error> {
            while seq.next_element::<IgnoredAny>()?.is_some() {}
            Ok($answer("a list"))
        }
        otherwise!(scalars $value, $answer);
    };
    (map $value:ty, $answer:expr) => {
        fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<$value, M::Error> {
            while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
            Ok($answer("an object"))
        }
        otherwise!(scalars $value, $answer);
        fn visit_unit<E>(self) -> Result<$value, E> {
            Ok($answer("null"))
        }
    };
    (scalars $value:ty, $answer:expr) => {
        fn visit_str<E>(self, _: &str) -> Result<$value, E> {
            Ok($answer("a text"))
        }
        fn visit_bool<E>(self, _: bool) -> Result<$value, E> {
            Ok($answer("true or false"))
        }
        fn visit_f64<E>(self, _: f64) -> Result<$value, E> {
            Ok($answer("a number"))
        }
        fn visit_u64<E>(self, _: u64) -> Result<$value, E> {
            Ok($answer("a number"))
        }
        fn visit_i64<E>(self, _: i64) -> Result<$value, E> {
            Ok($answer("a number"))
        }
    };
}
use otherwise;

/// Makes a visitor a seed that takes any JSON value.
macro_rules! seed_any {
    ($seed:ty, $value:ty) => {
        impl<'de> DeserializeSeed<'de> for $seed {
            type Value = $value;
            fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<$value, D::Error> {
                d.deserialize_any(self)
            }
        }
    };
}
use seed_any;

/// Where features go, numbered and brought to longitude and latitude.
struct Sink<'t> {
    file: Arc<Path>,
    count: usize,
    system: Option<System>,
    take: Take<'t>,
}

impl Sink<'_> {
    fn put(&mut self, parts: FeatureParts) {
        let source = SourcePlace { file: self.file.clone(), index: self.count, id: parts.id };
        let shape = match parts.fault {
            Some(fault) => RawShape::Broken(fault),
            None => parts.shape.unwrap_or_else(|| RawShape::Broken("has no member \"geometry\"".into())),
        };
        let shape = match &self.system {
            Some(system) => to_lonlat(shape, system),
            None => shape,
        };
        (self.take)(RawFeature { shape, properties: parts.properties, source });
        self.count += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::files::{ReadAs, read_features};

    fn read(text: &str) -> Result<Vec<RawFeature>, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.geojson");
        std::fs::write(&path, text).unwrap();
        let mut features = Vec::new();
        match read_features(&path, Path::new("a.geojson"), ReadAs::All, &mut |raw| features.push(raw)) {
            Ok(_) => Ok(features),
            Err(why) => Err(why.to_string()),
        }
    }

    const FEATURES: &str = r#""features":[{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[661027.41,5992431.51]}}]"#;

    fn crs(name: &str) -> String {
        format!(r#""crs":{{"type":"name","properties":{{"name":"{name}"}}}}"#)
    }

    #[test]
    fn a_system_behind_the_features_is_not_passed_over() {
        let mga = crs("urn:ogc:def:crs:EPSG::28355");
        let why = read(&format!(r#"{{"type":"FeatureCollection",{FEATURES},{mga}}}"#)).unwrap_err();
        assert!(why.contains("EPSG:28355") && why.contains("ahead of \"features\""), "{why}");
        let ahead = read(&format!(r#"{{"type":"FeatureCollection",{mga},{FEATURES}}}"#)).unwrap();
        assert!(matches!(&ahead[0].shape, RawShape::Shape(_)));
        for harmless in [crs("urn:ogc:def:crs:OGC:1.3:CRS84"), r#""crs":null"#.into()] {
            assert_eq!(
                read(&format!(r#"{{"type":"FeatureCollection",{FEATURES},{harmless}}}"#)).unwrap().len(),
                1
            );
        }
        let link = r#""crs":{"type":"link","properties":{"href":"x"}}"#;
        let why = read(&format!(r#"{{"type":"FeatureCollection",{link},{FEATURES}}}"#)).unwrap_err();
        assert!(why.contains("names no system"), "{why}");
    }

    #[test]
    fn members_that_stand_twice_are_not_chosen_between() {
        for text in [
            format!(r#"{{"type":"FeatureCollection",{FEATURES},{FEATURES}}}"#),
            format!(r#"{{"type":"FeatureCollection",{FEATURES},"type":"Feature"}}"#),
            format!(
                r#"{{"type":"FeatureCollection",{},{},{FEATURES}}}"#,
                crs("EPSG:4326"),
                crs("EPSG:28355")
            ),
            format!(r#"{{"type":"FeatureCollection",{}}}"#, FEATURES.replace("features", "feat\\u0075res")),
        ] {
            assert!(read(&text).is_err(), "{text}");
        }
        let collection = |feature: &str| format!(r#"{{"type":"FeatureCollection","features":[{feature}]}}"#);
        let point = r#""geometry":{"type":"Point","coordinates":[1,2]}"#;
        for (feature, wanted) in [
            (format!(r#"{{"type":"Feature","properties":{{}},{point},{point}}}"#), "\"geometry\" twice"),
            (format!(r#"{{"type":"Feature","properties":{{"d":1}},"properties":{{"d":2}},{point}}}"#), "\"properties\" twice"),
            (format!(r#"{{"type":"Feature","properties":{{"d":1,"d":2}},{point}}}"#), "property \"d\" twice"),
            (r#"{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[1,2],"coordinates":[3,4]}}"#.into(), "\"coordinates\" twice"),
            (format!(r#"{{"type":"Feature","properties":{{}},{point},{}}}"#, crs("EPSG:28355")), "of its own"),
            (r#"{"type":"Feature","properties":{},"geometry":{"type":"GeometryCollection","geometries":[null]}}"#.into(), "part that is null"),
        ] {
            let features = read(&collection(&feature)).unwrap();
            assert!(matches!(&features[0].shape, RawShape::Broken(why) if why.contains(wanted)), "{wanted}: {:?}", features[0].shape);
        }
    }
}
