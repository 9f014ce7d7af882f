//! `site-distances.csv`, `audit.json` and `audit.txt`.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;

use serde_json::{Map, Value, json};

use super::rules::rules_of;
use crate::audit::{Audit, Breach, NearKeepOut, Row};
use crate::files::OutputSet;
use crate::files::write::{round_to, write_csv};
use crate::siting::SHORT_CAUTION;
use crate::steps::{Desk, StepError};

/// What is said of a station that stands where it may not, where the files say so themselves.
const MUST_GO: &str = "to be lifted";

/// Writes the three files.
pub(super) fn write(
    desk: &Desk,
    audit: &Audit,
    changes: &[String],
    set: &mut OutputSet,
) -> Result<(), StepError> {
    let names = kind_columns(&audit.kinds);
    let header = header(&names);
    let columns: Vec<&str> = header.iter().map(String::as_str).collect();
    set.write("site-distances.csv", |out| {
        write_csv(out, &columns, audit.rows.iter().map(|row| cells(audit, row)))
    })?;
    let whole = whole(desk, audit, changes, &names)?;
    set.write("audit.json", |out| {
        serde_json::to_writer_pretty(&mut *out, &whole)?;
        out.write_all(b"\n")
    })?;
    let text = text(audit, changes);
    Ok(set.write("audit.txt", |out| out.write_all(text.as_bytes()))?)
}

/// How many proposed sites and how many stations there are.
pub(super) fn counts(audit: &Audit) -> (usize, usize) {
    let sites = audit.rows.iter().filter(|row| row.is_site).count();
    (sites, audit.rows.len() - sites)
}

/// A name for the columns of each kind: small letters, figures and underscores, each once.
fn kind_columns(kinds: &[String]) -> Vec<String> {
    let mut taken = BTreeSet::new();
    let plain = |kind: &String| {
        let letters = kind.chars().flat_map(char::to_lowercase);
        let name: String = letters.map(|c| if c.is_alphanumeric() { c } else { '_' }).collect();
        let words: Vec<&str> = name.split('_').filter(|word| !word.is_empty()).collect();
        let base = if words.is_empty() { "keep_out".to_string() } else { words.join("_") };
        let free = |n: usize| if n == 1 { base.clone() } else { format!("{base}_{n}") };
        let name = (1..).map(free).find(|name| !taken.contains(name)).unwrap_or(base.clone());
        taken.insert(name.clone());
        name
    };
    kinds.iter().map(plain).collect()
}

fn header(kinds: &[String]) -> Vec<String> {
    let first = ["id", "state", "lon", "lat", "kept", "tightest_keep_out", "tightest_margin_m"];
    let last = [
        "in_area",
        "boundary_m",
        "parcel",
        "next_parcel",
        "next_parcel_m",
        "nearest_along_lines",
        "along_lines_m",
        "nearest_straight",
        "straight_m",
        "breaches",
        "caution",
    ];
    let of_kind =
        |kind: &String| ["nearest", "distance_m", "limit_m", "margin_m"].map(|c| format!("{kind}_{c}"));
    let mut all: Vec<String> = first.map(String::from).to_vec();
    all.extend(kinds.iter().flat_map(of_kind));
    all.extend(last.map(String::from));
    all
}

fn metres(value: f64) -> String {
    format!("{:.2}", value + 0.0)
}

/// How much farther away than its limit a keep-out is, in metres; less than nothing where it is too near.
fn margin_m(near: &NearKeepOut) -> f64 {
    near.distance_m - near.limit_m
}

fn tightest(row: &Row) -> Option<&NearKeepOut> {
    row.keep_outs.iter().flatten().min_by(|a, b| margin_m(a).total_cmp(&margin_m(b)))
}

fn breaches_of<'a>(audit: &'a Audit, row: &'a Row) -> impl Iterator<Item = &'a Breach> {
    let own = |b: &&Breach| b.id.as_deref() == Some(row.id.as_str()) && b.feature.is_some() == row.is_site;
    audit.breaches.iter().filter(own)
}

fn cells(audit: &Audit, row: &Row) -> Vec<String> {
    let named = |near: &Option<(String, f64)>| {
        near.as_ref().map_or([String::new(), String::new()], |(name, m)| [name.clone(), metres(*m)])
    };
    let tight = tightest(row).map(|near| (near.name.clone(), margin_m(near)));
    let mut faults: Vec<String> = breaches_of(audit, row).map(Breach::what).collect();
    let kept = if !faults.is_empty() {
        "NO"
    } else if row.against.is_empty() {
        "yes"
    } else {
        faults.clone_from(&row.against);
        MUST_GO
    };
    let mut cells = vec![
        row.id.clone(),
        if row.is_site { "proposed" } else { "set" }.to_string(),
        format!("{:.7}", row.at.lon_deg()),
        format!("{:.7}", row.at.lat_deg()),
        kept.to_string(),
    ];
    cells.extend(named(&tight));
    for near in &row.keep_outs {
        cells.extend(near.as_ref().map_or([const { String::new() }; 4], |near| {
            [near.name.clone(), metres(near.distance_m), metres(near.limit_m), metres(margin_m(near))]
        }));
    }
    cells.push(row.area.map_or("", |(inside, _)| if inside { "yes" } else { "NO" }).to_string());
    cells.push(row.area.map_or(String::new(), |(_, boundary_m)| metres(boundary_m)));
    cells.push(row.parcels.join("; "));
    cells.extend([&row.next_parcel, &row.along, &row.straight].into_iter().flat_map(named));
    cells.push(faults.join("; "));
    cells.push(SHORT_CAUTION.to_string());
    cells
}

/// What programs are told on standard output, without the rows.
pub(super) fn summary(desk: &Desk, audit: &Audit, changes: &[String]) -> Value {
    let (sites, stations) = counts(audit);
    let mut by_promise: BTreeMap<&str, usize> = BTreeMap::new();
    for breach in &audit.breaches {
        *by_promise.entry(breach.promise.word()).or_default() += 1;
    }
    json!({
        "caution": SHORT_CAUTION,
        "kept": audit.breaches.is_empty(),
        "sites": sites,
        "stations": stations,
        "keep_outs": desk.job.keep_outs.len(),
        "never": desk.job.never.len(),
        "area": desk.job.area.is_some(),
        "closed_gaps": audit.gaps,
        "changes": changes,
        "not_kept": by_promise,
        "breaches": audit.breaches.iter().map(breach).collect::<Vec<_>>(),
    })
}

fn breach(breach: &Breach) -> Value {
    json!({
        "file": breach.file,
        "feature": breach.feature,
        "id": breach.id,
        "promise": breach.promise.word(),
        "about": breach.about,
        "expected": breach.expected,
        "found": breach.found,
    })
}

fn whole(desk: &Desk, audit: &Audit, changes: &[String], names: &[String]) -> Result<Value, StepError> {
    let rules = rules_of(desk)?;
    let worst = audit.rows.iter().flat_map(|r| r.keep_outs.iter().flatten()).map(|k| k.error_m);
    let mut all = Map::new();
    all.insert("stakeline".into(), desk.provenance().to_json());
    if let Value::Object(members) = summary(desk, audit, changes) {
        all.extend(members);
    }
    all.insert(
        "rules".into(),
        json!({
            "spacing_m": rules.spacing_m,
            "min_straight_m": rules.straight_m.unwrap_or(rules.spacing_m / 2.0),
            "targets": rules.targets.iter().map(|(a, m)| (a.word().to_string(), json!(m))).collect::<Map<_, _>>(),
            "placement_error_m": rules.placement_error_m,
            "budget": rules.budget,
            "cluster": rules.cluster,
            "cluster_apart_m": rules.cluster_apart_m,
            "snap_m": rules.snap_m,
        }),
    );
    // Rounded up: a bound that is rounded down is none.
    all.insert("error_bound_m".into(), json!((worst.fold(0.0, f64::max) * 1e4).ceil() / 1e4));
    all.insert("kinds".into(), json!(audit.kinds));
    all.insert("stands".into(), audit.rows.iter().map(|row| stand(audit, row, names)).collect());
    Ok(Value::Object(all))
}

fn stand(audit: &Audit, row: &Row, names: &[String]) -> Value {
    let near = |near: &NearKeepOut| {
        json!({
            "name": near.name,
            "from": near.from,
            "distance_m": round_to(near.distance_m, 3),
            "limit_m": near.limit_m,
            "margin_m": round_to(margin_m(near), 3),
        })
    };
    let keep_outs: Map<String, Value> = names
        .iter()
        .cloned()
        .zip(row.keep_outs.iter().map(|k| k.as_ref().map_or(Value::Null, near)))
        .collect();
    let named = |what: &Option<(String, f64)>, key: &str| {
        what.as_ref().map_or(Value::Null, |(name, m)| json!({ key: name, "distance_m": round_to(*m, 2) }))
    };
    json!({
        "id": row.id,
        "state": if row.is_site { "proposed" } else { "set" },
        "lon": round_to(row.at.lon_deg(), 7),
        "lat": round_to(row.at.lat_deg(), 7),
        "kept": breaches_of(audit, row).next().is_none(),
        "against": row.against,
        "keep_outs": keep_outs,
        "in_area": row.area.map(|(inside, _)| inside),
        "boundary_m": row.area.map(|(_, m)| round_to(m, 2)),
        "parcels": row.parcels,
        "next_parcel": named(&row.next_parcel, "name"),
        "nearest_along_lines": named(&row.along, "id"),
        "nearest_straight": named(&row.straight, "id"),
    })
}

fn text(audit: &Audit, changes: &[String]) -> String {
    let (sites, stations) = counts(audit);
    let mut lines = vec![
        format!("Audit of {sites} proposed sites and {stations} stations in the ground, by stakeline {}.", env!("CARGO_PKG_VERSION")),
        "Distances are measured on the WGS84 ellipsoid from the places as written; the limits are your own, from permit and label.".to_string(),
        "site-distances.csv has a row for each.".to_string(),
        SHORT_CAUTION.to_string(),
        String::new(),
    ];
    if !changes.is_empty() {
        lines.push("Changed since the run:".to_string());
        lines.extend(changes.iter().map(|change| format!("  {change}")));
        lines.push(String::new());
    }
    match audit.breaches.len() {
        0 => lines.push("Every promise is kept.".to_string()),
        n => {
            lines.push(format!("Not kept: {n}."));
            lines.extend(audit.breaches.iter().map(|breach| format!("  {breach}")));
        }
    }
    lines.push(String::new());
    for row in &audit.rows {
        let keep_out = tightest(row).map_or("no keep-out".to_string(), |near| {
            format!(
                "{} is {:.2} m away, limit {:.2} m, margin {:.2} m",
                near.name,
                near.distance_m,
                near.limit_m,
                margin_m(near)
            )
        });
        let state = match (row.is_site, row.against.is_empty()) {
            (true, _) => "proposed",
            (false, true) => "set",
            (false, false) => MUST_GO,
        };
        lines.push(format!("{} ({state}): {keep_out}", row.id));
    }
    lines.push(String::new());
    lines.join("\n")
}
