//! `season-report.html`: the figures of a comparison, with maps and plain sentences.

use serde_json::{Value, json};

use super::figure::{LegendBand, legend_bands, overview_svg};
use super::page::{PageError, policy, render};
use super::{Feature, Material, Ramp};
use crate::siting::SHORT_CAUTION;

const TEMPLATE: &str = include_str!("assets/season-report.html");
const STYLE: &str = include_str!("assets/paper.css");

/// Block sizes in the order of the table.
const SIZES: [&str; 5] = ["record", "outing", "day", "week", "month"];

/// The page, or `None` where no seasons were compared.
///
/// # Errors
/// [`PageError`], which no input should bring about.
pub fn season_report(material: &Material) -> Result<Option<String>, PageError> {
    let Some(compare) = &material.compare else { return Ok(None) };
    let maps: Vec<Value> = material
        .rasters
        .iter()
        .filter(|r| ["before", "after", "change"].contains(&r.id))
        .map(|shown| {
            json!({ "id": shown.id, "name": shown.name, "unit": shown.unit,
                "svg": overview_svg(material, Some(shown)), "legend": legend(shown.ramp) })
        })
        .collect();
    let sizes: Vec<Value> = SIZES
        .iter()
        .filter_map(|size| {
            let test = compare.pointer(&format!("/global/{size}"))?;
            Some(
                json!({ "size": size, "before": test.get("blocks_before"), "after": test.get("blocks_after"),
                "p": test.get("p").and_then(Value::as_f64).map(probability), "reason": test.get("reason") }),
            )
        })
        .collect();
    let season = |name: &str| {
        let of = |key: &str| compare.pointer(&format!("/{name}/{key}")).cloned().unwrap_or_default();
        let fixed = |key: &str, places: usize| of(key).as_f64().map(|v| format!("{v:.places$}"));
        json!({ "name": of("name"), "records": of("records"), "outings": of("outings"),
            "first": of("first_day"), "last": of("last_day"),
            "km": fixed("searched_km", 1), "rate": fixed("sign_per_km", 3) })
    };
    let context = json!({
        "policy": policy(&[], STYLE),
        "style": STYLE,
        "version": env!("CARGO_PKG_VERSION"),
        "called": "seasons compared",
        "open_items": material.open_items,
        "short_caution": SHORT_CAUTION,
        "title": material.title,
        "origin": material.origin,
        "sentences": sentences(compare, "summary"),
        "warnings": sentences(compare, "warnings"),
        "verdict": compare.pointer("/headline/verdict"),
        "reason": compare.pointer("/headline/reason"),
        "block": compare.pointer("/headline/block"),
        "p": compare.pointer("/headline/p").and_then(Value::as_f64).map(probability),
        "bandwidth": compare.get("bandwidth_m").and_then(Value::as_f64).map(|b| format!("{b:.0}")),
        "seasons": [season("before"), season("after")],
        "sizes": sizes,
        "areas": areas(material),
        "withheld": compare.get("areas_withheld").and_then(Value::as_u64).unwrap_or(0),
        "along": compare.get("along_lines").filter(|a| a.is_object()).map(along),
        "maps": maps,
    });
    render("season-report.html", TEMPLATE, context).map(Some)
}

/// The areas of change, a row each.
fn areas(material: &Material) -> Vec<Value> {
    let row = |f: &Feature| {
        json!({ "direction": f.text("direction"), "ha": f.number("area_ha").map(|a| format!("{a:.1}")),
            "p_max": f.number("p_max").map(probability), "survives": f.value("survives_fdr") })
    };
    material.layers.change_areas.iter().map(row).collect()
}

/// What was compared along lines, as text.
fn along(lines: &Value) -> Value {
    let km = |key: &str| lines.get(key).and_then(Value::as_f64).map(|v| format!("{v:.1}"));
    let one_only = ["searched_before_only_km", "searched_after_only_km"]
        .iter()
        .filter_map(|key| lines.get(*key).and_then(Value::as_f64))
        .sum::<f64>();
    json!({ "both": km("searched_in_both_km"), "one_only": format!("{one_only:.1}"),
        "increase": km("increase_km"), "decrease": km("decrease_km"),
        "tested": lines.get("tested"), "p": lines.get("p_max").and_then(Value::as_f64).map(probability) })
}

/// A sentence as people write them: a capital in front, unless a file's name stands there, and
/// a full stop behind.
fn sentence(text: &str) -> String {
    let text = text.trim();
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().collect::<String>()).unwrap_or_default();
    let names_file = text.split(' ').next().is_some_and(|word| word.contains('.'));
    let whole = if names_file { text.to_string() } else { format!("{first}{}", letters.as_str()) };
    if whole.ends_with(['.', '?', '!']) { whole } else { whole + "." }
}

/// Texts of a list of the comparison, as sentences.
fn sentences(compare: &Value, key: &str) -> Vec<String> {
    compare
        .get(key)
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .filter_map(Value::as_str)
        .map(sentence)
        .collect()
}

/// A probability with as many digits as say something.
fn probability(p: f64) -> String {
    if p < 0.001 { format!("{p:.1e}") } else { format!("{p:.3}") }
}

fn legend(ramp: Ramp) -> Vec<Value> {
    let band = |b: LegendBand| json!({ "fill": b.fill, "opacity": b.opacity, "range": b.range });
    legend_bands(ramp).into_iter().map(band).collect()
}
