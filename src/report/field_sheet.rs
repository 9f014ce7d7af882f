//! `field-sheet.html`: paper for the crew. Cautions first, an overview, then one block a
//! site with rows to write in; page breaks fall between blocks.

use std::collections::HashMap;

use serde_json::{Value, json};

use super::figure::overview_svg;
use super::page::{PageError, policy, render};
use super::qr::{geo_uri, qr_svg};
use super::rose::rose_svg;
use super::start::{Starts, lonlat_text};
use super::{Feature, Material, NoticeKind, compass};
use crate::frame::{LonLat, Placed};
use crate::record::Station;
use crate::siting::SHORT_CAUTION;
use crate::verdict::{Task, Verdict};

const TEMPLATE: &str = include_str!("assets/field-sheet.html");
const STYLE: &str = include_str!("assets/paper.css");

/// The columns of the check log that are written in the field, in its words; the station's id stands
/// above them.
const LOG_COLUMNS: [&str; 12] = [
    "date",
    "by",
    "found",
    "animal",
    "reason",
    "head replaced",
    "capsules out",
    "capsules back",
    "batch",
    "serviced",
    "lifted",
    "note",
];

/// The page.
///
/// # Errors
/// [`PageError`], which no input should bring about.
pub fn field_sheet(material: &Material) -> Result<String, PageError> {
    let starts = Starts::new(material);
    let sites: Vec<Value> = material.layers.sites.iter().filter_map(|f| site(material, &starts, f)).collect();
    let groups = station_groups(material);
    let rows = || groups.iter().flat_map(|g| g["rows"].as_array().into_iter().flatten());
    let days = rows().filter_map(|s| s["day"].as_u64()).max();
    let of = |kind| material.notices.iter().filter(move |n| n.kind == kind);
    let notice = |n: &super::Notice| {
        json!({ "name": n.name, "holder": n.holder, "contact": n.contact, "nearest": n.nearest,
            "distance": n.distance_m.map(metres), "lonlat": lonlat_text(n.at) })
    };
    let context = json!({
        "policy": policy(&[], STYLE),
        "style": STYLE,
        "version": env!("CARGO_PKG_VERSION"),
        "called": "field sheet",
        "open_items": material.open_items,
        "title": material.title,
        "origin": material.origin,
        "cautions": material.cautions,
        "short_caution": SHORT_CAUTION,
        "contacts": material.contacts,
        "grid_name": material.grid_name(),
        "epsg": material.frame.epsg(),
        "overview": overview_svg(material, None),
        "sites": sites,
        "in_order": rows().any(|s| s["order"].is_u64()),
        "log": LOG_COLUMNS,
        "groups": groups,
        "days": days.unwrap_or(0),
        "parcels": of(NoticeKind::Parcel).map(notice).collect::<Vec<_>>(),
        "entrances": of(NoticeKind::Entrance).map(notice).collect::<Vec<_>>(),
    });
    render("field-sheet.html", TEMPLATE, context)
}

/// Stations by what is to be done there, what must not be armed first and what is simply served last;
/// within a task in the order of the check round where one was planned, those that it leaves out at
/// the end. One that is lifted and wants nothing is left out.
fn station_groups(material: &Material) -> Vec<Value> {
    let stops: HashMap<&str, &Feature> =
        material.layers.round.iter().filter_map(|f| Some((f.text("station_id")?, f))).collect();
    let group = |task: Task| {
        let of_task = material.tasks().filter(|(_, verdict)| verdict.task == task);
        let mut rows: Vec<(u64, Value)> = of_task
            .map(|(station, verdict)| {
                let stop = stops.get(&*station.what.station_id).copied();
                let order = stop.and_then(|stop| stop.value("order").as_u64()).unwrap_or(u64::MAX);
                (order, station_row(material, stop, station, verdict))
            })
            .collect();
        rows.sort_by_key(|(order, _)| *order);
        let rows: Vec<Value> = rows.into_iter().map(|(_, row)| row).collect();
        (!rows.is_empty()).then(|| {
            json!({ "heading": heading(task), "task": task.word(), "armed": task == Task::Serve, "rows": rows })
        })
    };
    Task::ALL.into_iter().filter(|t| *t != Task::None).filter_map(group).collect()
}

fn heading(task: Task) -> &'static str {
    match task {
        Task::Lift => "Stations to LIFT: take them up, arm none",
        Task::Search => "Stations where something is MISSING: search, arm none before it is accounted for",
        Task::Move => "Stations to MOVE to another place",
        Task::Leave => "Proposed stations that must NOT be set",
        Task::Serve | Task::None => "Stations to check and serve",
    }
}

fn station_row(material: &Material, stop: Option<&Feature>, s: &Placed<Station>, verdict: &Verdict) -> Value {
    let of = |key: &str| stop.map_or(Value::Null, |stop| stop.value(key));
    let urgency = of("urgency");
    let urgency = urgency.as_str().filter(|u| !matches!(*u, "due" | "lift")).map(|u| u.replace('-', " "));
    json!({ "id": &*s.what.station_id, "name": s.what.name.as_deref(), "state": s.what.state.word(),
        "set_on": s.what.set_on.map(|d| d.to_string()), "lonlat": lonlat_text(s.at),
        "grid": grid_text(material, s.at), "order": of("order"), "day": of("day"),
        "due_on": of("due_on"), "urgency": urgency, "batch": s.what.batch.as_deref(),
        "task": verdict.task.word(), "reason": verdict.reason() })
}

fn site(material: &Material, starts: &Starts, f: &Feature) -> Option<Value> {
    let at = f.place()?;
    let (side, bearing) = (f.text("side").unwrap_or("left"), f.number("bearing_deg").unwrap_or(0.0));
    let start = starts.of(f).unwrap_or_else(|| "its start".into());
    let wind = |period: &str| wind(material, f, period, bearing, side == "left");
    Some(json!({
        "id": f.text("site_id").unwrap_or(&f.id),
        "rank": f.number("rank").unwrap_or(0.0) as u64,
        "lonlat": lonlat_text(at),
        "grid": grid_text(material, at),
        "line": f.text("line").unwrap_or("a line"),
        "kind": f.text("kind"),
        "along": metres(f.number("chainage_m").unwrap_or(0.0)),
        "start": start,
        "side": side,
        "offset": metres(f.number("offset_m").unwrap_or(0.0)),
        "heading": compass(bearing),
        "bearing": format!("{bearing:.0}"),
        "reason": f.text("reason").unwrap_or(""),
        "cluster": f.text("cluster_id"),
        "keep_out": keep_out(f.properties.get("keep_out"), !material.keep_outs.is_empty()),
        "wind_day": wind("day"),
        "wind_night": wind("night"),
        "cautions": f.properties.get("cautions").filter(|c| c.is_array()).cloned().unwrap_or(json!([])),
        "qr": qr_svg(&geo_uri(at)),
        "geo": geo_lines(&geo_uri(at)),
    }))
}

/// A geo URI in two lines, cut behind the latitude.
fn geo_lines(uri: &str) -> [String; 2] {
    uri.split_once(',')
        .map_or([uri.to_string(), String::new()], |(lat, lon)| [format!("{lat},"), lon.to_string()])
}

fn grid_text(material: &Material, at: LonLat) -> String {
    material.frame.to_ground(at).map_or_else(|_| String::new(), |p| format!("{:.0} E, {:.0} N", p.x_m, p.y_m))
}

fn keep_out(near: Option<&Value>, any: bool) -> String {
    let near = near.and_then(Value::as_object);
    let number = |name: &str| near.and_then(|k| k.get(name)).and_then(Value::as_f64);
    match (near, number("distance_m"), number("limit_m")) {
        (Some(k), Some(away_m), Some(limit_m)) => {
            let text = |name: &str| k.get(name).and_then(Value::as_str);
            let name = text("name").or(text("reason")).unwrap_or("keep-out");
            format!("{name}: {} away, limit {}", metres(away_m), metres(limit_m))
        }
        _ if any => "none near".to_string(),
        _ => "the plan names none: not checked".to_string(),
    }
}

/// The wind of a site in words and as a rose, `null` where none was given.
fn wind(material: &Material, f: &Feature, period: &str, bearing_deg: f64, left: bool) -> Value {
    let wind = material.wind_at(f, period);
    let number = |name: &str| wind.get(name).and_then(Value::as_f64);
    let Some(share) = number("value") else { return Value::Null };
    let known = number("hours").map_or(String::new(), |hours| format!("{hours:.0} "));
    let mut words = vec![format!("scent reaches the line in {:.0} % of {known}hours", 100.0 * share)];
    words.extend(number("calm_share").map(|calm| format!("calm {:.0} %", 100.0 * calm)));
    let hours: Vec<f64> = wind["rose"].as_array().into_iter().flatten().filter_map(Value::as_f64).collect();
    let rose =
        if hours.is_empty() { String::new() } else { rose_svg(&hours, bearing_deg, left, period == "night") };
    json!({ "words": words.join(", "), "rose": rose })
}

fn metres(m: f64) -> String {
    match m {
        m if m >= 10_000.0 => format!("{:.1} km", m / 1000.0),
        m if m >= 1000.0 => format!("{:.2} km", m / 1000.0),
        m if m >= 10.0 => format!("{m:.0} m"),
        m => format!("{m:.1} m"),
    }
}
