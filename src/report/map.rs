//! `map.html`: one file that opens from disk, needs no network and can be mailed.

use geo::{Buffer, CoordsIter, MapCoords};
use geo_types::{Coord, Geometry, LineString, MultiPolygon};
use jiff::civil::Date;
use serde::Serialize;
use serde_json::{Value, json};

use super::candidates::Words;
use super::page::{PageError, ScriptObject, policy, render};
use super::start::Starts;
use super::{Feature, Material, Patch, Picture, Shown, along};
use crate::files::write::round_to;
use crate::frame::{Frame, GroundPoint, LonLat, Placed, Traced};
use crate::record::{KeepOut, Line, Station};
use crate::siting::SHORT_CAUTION;
use crate::verdict::Verdict;

const TEMPLATE: &str = include_str!("assets/map.html");
const STYLES: [&str; 2] = [include_str!("assets/leaflet/leaflet.css"), include_str!("assets/map.css")];
const LEAFLET: &str = include_str!("assets/leaflet/leaflet.js");
const PARTS: [&str; 10] = [
    include_str!("assets/map/boot.js"),
    include_str!("assets/map/ground.js"),
    include_str!("assets/map/canvas.js"),
    include_str!("assets/map/marks.js"),
    include_str!("assets/map/tools.js"),
    include_str!("assets/map/layers.js"),
    include_str!("assets/map/points.js"),
    include_str!("assets/map/sites.js"),
    include_str!("assets/map/move.js"),
    include_str!("assets/map/start.js"),
];

/// Decimals of a coordinate that is only looked at: a tenth of a metre.
const LOOKED_AT: i32 = 6;

/// Stands in the template's page where the data comes: a text that nothing else holds.
const DATA: &str = "\u{1}data\u{1}";

/// The page.
///
/// # Errors
/// [`PageError`], which no input should bring about.
pub fn map_page(material: &Material) -> Result<String, PageError> {
    // Browsers hash what they parse, and they parse every line end as a line feed.
    let (style, script) = (STYLES.join("\n").replace('\r', ""), script());
    let context = json!({
        "policy": policy(&[&script], &style),
        "version": env!("CARGO_PKG_VERSION"),
        "called": "map",
        "title": material.title,
        "origin": material.origin,
        "style": style,
        "data": DATA,
        "script": script,
    });
    // The data is most of the page and goes straight into it; the engine would copy it.
    let frame = render("map.html", TEMPLATE, context)?;
    let fault = |why: &str| PageError { page: "map.html", why: why.to_string() };
    let (head, tail) = frame.rsplit_once(DATA).ok_or_else(|| fault("no place for the data"))?;
    let mut page = head.to_string();
    page_data(material, &mut page).map_err(|e| fault(&e.to_string()))?;
    page.push_str(tail);
    Ok(page)
}

fn script() -> String {
    // The library's last line points to a file that is not shipped.
    let library: Vec<&str> = LEAFLET.lines().filter(|l| !l.starts_with("//# sourceMappingURL")).collect();
    let whole = format!("{}\n(() => {{\n\"use strict\";\n{}\n}})();\n", library.join("\n"), PARTS.join("\n"));
    whole.replace('\r', "")
}

/// What the page's script draws from. It holds no observer and no name of a person. Written
/// member by member and feature by feature: as one tree it would take ten times its text.
fn page_data(material: &Material, page: &mut String) -> serde_json::Result<()> {
    let span = material.span();
    let (to_grid, to_lonlat) = patches(material.frame, span);
    let layers = &material.layers;
    let starts = Starts::new(material);
    let mut along =
        vec![along::rate_along(&layers.activity_lines), along::change_along(&layers.change_lines)];
    along.retain(|layer| !layer.is_null());
    let mut data = ScriptObject::begin(page);
    data.put("title", &material.title)?;
    data.put("epsg", &material.frame.epsg())?;
    data.put("gridName", &material.grid_name())?;
    data.put("toGrid", &to_grid)?;
    data.put("toLonLat", &to_lonlat)?;
    data.put("span", &span)?;
    data.put("cautions", &material.cautions)?;
    data.put("shortCaution", &SHORT_CAUTION)?;
    data.put("openItems", &material.open_items)?;
    data.put("spacing_m", &material.spacing_m)?;
    data.put("min_straight_m", &material.min_straight_m)?;
    data.put("placement_error_m", &material.placement_error_m)?;
    data.list("pictures", material.rasters.iter().filter_map(|r| picture(material.frame, r)))?;
    data.put("area", &material.area.map_or(json!([]), |a| json!(rings(a))))?;
    data.list("lines", material.lines.iter().map(line))?;
    data.list("keepOuts", material.keep_outs.iter().map(|k| keep_out(material.frame, k)))?;
    data.put("records", &Records::of(material))?;
    data.list("hot", layers.hot_areas.iter().map(hot))?;
    data.list("nodes", layers.nodes.iter().filter_map(node))?;
    data.list("misses", layers.near_misses.iter().map(miss))?;
    data.put("candidates", &layers.candidates)?;
    data.list("sites", layers.sites.iter().filter_map(|f| site(material, &starts, f)))?;
    data.list("stations", material.tasks().map(station))?;
    data.put("tour", &tour(&layers.round))?;
    data.list("checks", layers.checks.iter().filter_map(check))?;
    data.list("changes", layers.change_areas.iter().map(change))?;
    data.put("along", &along)?;
    data.put("claim", &material.compare.as_ref().map(claim))?;
    data.list("edges", layers.network.iter().map(edge))?;
    data.end();
    Ok(())
}

fn line(l: &Traced<Line>) -> Value {
    json!({
        "kind": l.what.kind.word(),
        "name": l.what.name.as_deref(),
        "way": l.path.iter().flat_map(|p| pair(p.lon_deg(), p.lat_deg())).collect::<Vec<_>>(),
    })
}

fn hot(f: &Feature) -> Value {
    json!({ "percent": f.value("mass_percent"), "ha": f.value("area_ha"), "polygons": polygons(&f.geometry) })
}

fn miss(f: &Feature) -> Value {
    json!({ "gap_m": f.value("gap_m"), "closed": f.value("closed"), "way": way(&f.geometry) })
}

fn station((s, verdict): (&Placed<Station>, &Verdict)) -> Value {
    json!({
        "id": &*s.what.station_id, "name": s.what.name.as_deref(), "state": s.what.state.word(),
        "set_on": s.what.set_on.map(|d| d.to_string()), "task": verdict.task.word(),
        "order": verdict.task.order(), "task_reason": verdict.reason(), "lon": s.at.lon_deg(), "lat": s.at.lat_deg(),
    })
}

fn change(f: &Feature) -> Value {
    json!({ "direction": f.value("direction"), "ha": f.value("area_ha"), "polygons": polygons(&f.geometry) })
}

/// The maps from degrees to the grid and back, over twice the place in each direction.
fn patches(frame: &Frame, [west, south, east, north]: [f64; 4]) -> (Option<Value>, Option<Value>) {
    let (wide, high) = ((east - west).max(0.02), (north - south).max(0.02));
    let span = [west - wide / 2.0, south - high / 2.0, east + wide / 2.0, north + high / 2.0];
    let ground = |lon, lat| {
        let p = frame.to_ground(LonLat::new(lon, lat).ok()?).ok()?;
        Some((p.x_m, p.y_m))
    };
    let Some(there) = Patch::fit(span, ground) else { return (None, None) };
    let corners = [(0, 1), (0, 3), (2, 1), (2, 3)].map(|(i, j)| there.at(span[i], span[j]));
    let box_m = [
        corners.iter().map(|c| c.0).fold(f64::INFINITY, f64::min),
        corners.iter().map(|c| c.1).fold(f64::INFINITY, f64::min),
        corners.iter().map(|c| c.0).fold(f64::NEG_INFINITY, f64::max),
        corners.iter().map(|c| c.1).fold(f64::NEG_INFINITY, f64::max),
    ];
    let back = Patch::fit(box_m, |x, y| {
        let at = frame.to_lonlat(GroundPoint::new(x, y)).ok()?;
        Some((at.lon_deg(), at.lat_deg()))
    });
    (Some(there.to_json()), back.map(|b| b.to_json()))
}

fn picture(frame: &Frame, shown: &Shown) -> Option<Value> {
    let picture = Picture::warp(frame, &shown.field, shown.ramp)?;
    Some(json!({
        "id": shown.id, "name": shown.name, "unit": shown.unit, "png": picture.data_uri(),
        "span": picture.span, "legend": shown.ramp.legend(),
    }))
}

/// What the comparison of seasons lets its colours say.
fn claim(compare: &Value) -> String {
    let verdict =
        compare.pointer("/headline/verdict").and_then(Value::as_str).unwrap_or("nothing was tested");
    let own = "Colours are plain ratios: only hatched areas and edged lines are claimed against chance.";
    match compare.get("areas_withheld").and_then(Value::as_u64).unwrap_or(0) {
        0 => format!("Answer: {verdict}. {own}"),
        1 => format!(
            "Answer: {verdict}. {own} One area differs by itself and is not claimed, since the whole does not."
        ),
        n => format!(
            "Answer: {verdict}. {own} {n} areas differ by themselves and are not claimed, since the whole does not."
        ),
    }
}

fn keep_out(frame: &Frame, keep_out: &KeepOut) -> Value {
    let (mut points, mut ways, mut closed) = (Vec::new(), Vec::new(), Vec::new());
    take_apart(&keep_out.geometry, &mut points, &mut ways, &mut closed);
    let name = keep_out.name.as_deref().or(keep_out.reason.as_deref()).unwrap_or("keep-out");
    json!({
        "name": name, "reason": keep_out.reason.as_deref(), "limit_m": keep_out.distance_m,
        "points": points, "ways": ways, "rings": closed, "zone": zone(frame, keep_out),
    })
}

/// The ground inside the distance, for drawing: in the frame, so off by its scale error.
pub(super) fn ground_zone(frame: &Frame, keep_out: &KeepOut) -> MultiPolygon<f64> {
    let ground = keep_out.geometry.try_map_coords(|c| {
        let at = LonLat::new(c.x, c.y)?;
        frame.to_ground(at).map(|p| Coord { x: p.x_m, y: p.y_m })
    });
    ground.map_or_else(|_| MultiPolygon(Vec::new()), |shape| shape.buffer(keep_out.distance_m.max(0.01)))
}

fn zone(frame: &Frame, keep_out: &KeepOut) -> Vec<Vec<Vec<f64>>> {
    let back = ground_zone(frame, keep_out).try_map_coords(|c| {
        frame.to_lonlat(GroundPoint::new(c.x, c.y)).map(|at| Coord { x: at.lon_deg(), y: at.lat_deg() })
    });
    back.map(|polygons| rings(&polygons)).unwrap_or_default()
}

fn take_apart(
    geometry: &Geometry<f64>,
    points: &mut Vec<f64>,
    ways: &mut Vec<Vec<f64>>,
    closed: &mut Vec<Vec<f64>>,
) {
    match geometry {
        Geometry::Point(p) => points.extend(pair(p.x(), p.y())),
        Geometry::MultiPoint(many) => points.extend(many.0.iter().flat_map(|p| pair(p.x(), p.y()))),
        Geometry::LineString(line) => ways.push(flat(line)),
        Geometry::MultiLineString(many) => ways.extend(many.0.iter().map(flat)),
        Geometry::Polygon(p) => closed.extend(rings(&MultiPolygon(vec![p.clone()])).into_iter().flatten()),
        Geometry::MultiPolygon(many) => closed.extend(rings(many).into_iter().flatten()),
        Geometry::GeometryCollection(parts) => {
            parts.0.iter().for_each(|part| take_apart(part, points, ways, closed));
        }
        Geometry::Line(_) | Geometry::Rect(_) | Geometry::Triangle(_) => {}
    }
}

/// The sign, in columns; words are numbered.
#[derive(Default, Serialize)]
struct Records {
    lon: Vec<f64>,
    lat: Vec<f64>,
    sign: Vec<usize>,
    animal: Vec<usize>,
    season: Vec<usize>,
    day: Vec<Option<Date>>,
    count: Vec<f64>,
    signs: Words,
    animals: Words,
    seasons: Words,
}

impl Records {
    fn of(material: &Material) -> Self {
        let mut told = Records::default();
        for (record, season) in &material.records {
            let what = &record.what;
            let [lon, lat] = pair(record.at.lon_deg(), record.at.lat_deg());
            told.lon.push(lon);
            told.lat.push(lat);
            told.sign.push(told.signs.number(what.sign.word()));
            let animal = what.animal.as_ref().map_or("not said", |a| a.word());
            told.animal.push(told.animals.number(animal));
            told.season.push(told.seasons.number(season.as_deref().unwrap_or("no season")));
            told.day.push(what.date);
            told.count.push(what.count);
        }
        told
    }
}

fn edge(f: &Feature) -> Value {
    json!({
        "kind": f.value("kind"), "from": f.value("from_node"), "to": f.value("to_node"),
        "length_m": f.value("length_m"), "way": way(&f.geometry),
    })
}

fn node(f: &Feature) -> Option<Value> {
    let at = f.place()?;
    let [lon, lat] = pair(at.lon_deg(), at.lat_deg());
    Some(json!({
        "id": f.value("node_id"), "kind": f.value("node_kind"), "lon": lon, "lat": lat,
        "ways": f.number("ways").unwrap_or(0.0), "convergence": f.number("convergence").unwrap_or(0.0),
    }))
}

/// A site as the page shows it.
fn site(material: &Material, starts: &Starts, f: &Feature) -> Option<Value> {
    let at = f.place()?;
    let side = f.text("side").unwrap_or("left");
    let (bearing, offset) = (f.number("bearing_deg").unwrap_or(0.0), f.number("offset_m").unwrap_or(0.0));
    let to_foot = if side == "left" { bearing + 90.0 } else { bearing - 90.0 };
    let foot = crate::frame::destination(at, to_foot, offset);
    let parts: Vec<Value> = f
        .properties
        .get("parts")
        .and_then(Value::as_object)
        .into_iter()
        .flatten()
        .map(|(name, p)| {
            let of = |key: &str| p.get(key).cloned().unwrap_or_default();
            json!({ "name": name, "value": p.get("value").and_then(Value::as_f64).unwrap_or(0.0),
                "weight": p.get("weight").and_then(Value::as_f64).unwrap_or(0.0),
                "raw": of("raw"), "unit": of("unit"), "from": of("from") })
        })
        .collect();
    Some(json!({
        "id": f.text("site_id").unwrap_or(&f.id), "rank": f.number("rank").unwrap_or(0.0) as u64,
        "score": f.number("score").unwrap_or(0.0),
        "lon": at.lon_deg(), "lat": at.lat_deg(),
        "foot": [round_to(foot.lon_deg(), 8), round_to(foot.lat_deg(), 8)],
        "line": f.text("line").unwrap_or(""), "kind": f.text("kind").unwrap_or("other"),
        "chainage_m": f.number("chainage_m").unwrap_or(0.0), "from": f.text("line_from").unwrap_or(""),
        "start": starts.of(f),
        "side": side, "offset_m": offset, "bearing_deg": bearing,
        "nearest_site_m": f.value("nearest_site_m"), "cluster": f.value("cluster_id"),
        "keep_out": f.value("keep_out"),
        "wind_day": material.wind_at(f, "day"), "wind_night": material.wind_at(f, "night"),
        "parts": parts, "reason": f.text("reason").unwrap_or(""),
        "stability": f.value("rank_stability"),
        "cautions": f.properties.get("cautions").filter(|c| c.is_array()).cloned().unwrap_or(json!([])),
    }))
}

fn tour(features: &[Feature]) -> Value {
    let of = |kind| features.iter().filter(move |f| f.text("type") == Some(kind));
    let legs: Vec<Value> = of("leg")
        .flat_map(|f| ways(&f.geometry).into_iter().map(|way| json!({ "day": f.value("day"), "way": way })))
        .collect();
    let stops: Vec<Value> = of("stop")
        .filter_map(|f| {
            let at = f.place()?;
            Some(json!({ "id": f.value("station_id"), "day": f.value("day"), "order": f.value("order"),
                "lon": at.lon_deg(), "lat": at.lat_deg() }))
        })
        .collect();
    json!({ "legs": legs, "stops": stops })
}

/// What the check log says of a station; no name of a person.
fn check(f: &Feature) -> Option<Value> {
    let at = f.place()?;
    Some(json!({
        "id": f.text("station_id").unwrap_or(&f.id), "lon": at.lon_deg(), "lat": at.lat_deg(),
        "activations": f.value("activations"), "nights": f.value("station_nights"),
        "rate": f.value("per_100_nights"), "checked_on": f.value("checked_on"), "due_on": f.value("due_on"),
        "urgency": f.value("urgency"), "advice": f.value("advice"), "open": f.value("open_items"),
    }))
}

pub(super) fn pair(lon: f64, lat: f64) -> [f64; 2] {
    [round_to(lon, LOOKED_AT), round_to(lat, LOOKED_AT)]
}

fn flat(line: &LineString<f64>) -> Vec<f64> {
    line.0.iter().flat_map(|c| pair(c.x, c.y)).collect()
}

fn ways(geometry: &Geometry<f64>) -> Vec<Vec<f64>> {
    match geometry {
        Geometry::MultiLineString(many) => many.0.iter().map(flat).collect(),
        _ => vec![way(geometry)],
    }
}

fn way(geometry: &Geometry<f64>) -> Vec<f64> {
    geometry.coords_iter().flat_map(|c| pair(c.x, c.y)).collect()
}

fn polygons(geometry: &Geometry<f64>) -> Vec<Vec<Vec<f64>>> {
    match geometry {
        Geometry::Polygon(p) => rings(&MultiPolygon(vec![p.clone()])),
        Geometry::MultiPolygon(many) => rings(many),
        _ => Vec::new(),
    }
}

fn rings(polygons: &MultiPolygon<f64>) -> Vec<Vec<Vec<f64>>> {
    let of =
        |p: &geo_types::Polygon<f64>| std::iter::once(p.exterior()).chain(p.interiors()).map(flat).collect();
    polygons.0.iter().map(of).collect()
}
