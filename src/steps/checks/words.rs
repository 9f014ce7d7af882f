//! The parts of `checks.json` and `suggested-weights.toml`.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::{LEVEL, Weights};
use crate::checks::{Account, Balance, Fitted, Rate};
use crate::files::write::round_to;

pub(super) fn rate_json(rate: &Rate) -> Value {
    let six = |x: f64| round_to(x, 6);
    let interval = rate.interval_per_100_nights(LEVEL);
    json!({
        "activations": rate.activations,
        "heads_taken": rate.heads_taken,
        "inactive": rate.inactive,
        "station_nights": rate.nights,
        "effective_nights": rate.effective_nights,
        "per_100_nights": rate.per_100_nights().map(six),
        "low": interval.map(|i| six(i[0])),
        "high": interval.map(|i| six(i[1])),
    })
}

fn account_json(account: &Account) -> Value {
    json!({
        "issued": account.issued,
        "in_ground": account.in_ground,
        "discharged": account.discharged,
        "returned": account.returned,
        "lost": account.lost,
        "unaccounted": account.unaccounted,
    })
}

pub(super) fn balance_json(books: &Balance) -> Value {
    fn by<K: Ord, S: ToString>(accounts: &BTreeMap<Option<K>, Account>, name: impl Fn(&K) -> S) -> Value {
        let named = accounts.iter().map(|(key, a)| {
            (key.as_ref().map_or("unknown".to_string(), |k| name(k).to_string()), account_json(a))
        });
        Value::Object(named.collect())
    }
    let faults: Vec<Value> = books
        .faults
        .iter()
        .map(|e| {
            json!({
                "station_id": &*e.station_id,
                "date": e.date.map(|d| d.to_string()),
                "by": e.by.as_deref(),
                "batch": e.batch.as_deref(),
                "row": e.source.index + 1,
                "unaccounted": e.account.unaccounted,
            })
        })
        .collect();
    json!({
        "holds": books.holds(),
        "total": account_json(&books.total),
        "faults": faults,
        "by_day": by(&books.by_day, |d| d.to_string()),
        "by_batch": by(&books.by_batch, |b| b.to_string()),
        "by_person": by(&books.by_person, |p| p.to_string()),
    })
}

/// The values of the parts of a score: numbers, or objects with a `value`; also as JSON text.
pub(super) fn parts_of(parts: &Value) -> BTreeMap<String, f64> {
    let parsed = parts.as_str().and_then(|text| serde_json::from_str::<Value>(text).ok());
    let Some(members) = parsed.as_ref().unwrap_or(parts).as_object() else { return BTreeMap::new() };
    members
        .iter()
        .filter_map(|(name, part)| {
            Some((name.clone(), part.as_f64().or_else(|| part.get("value")?.as_f64())?))
        })
        .collect()
}

pub(super) fn weights_json(weights: &Weights) -> Value {
    match weights {
        Err(why) => json!({ "suggested": false, "reason": why }),
        Ok(fitted) => {
            let effects: Vec<Value> = fitted
                .effects
                .iter()
                .map(|e| {
                    json!({
                        "part": e.part,
                        "log_rate_per_sd": round_to(e.log_rate_per_sd, 6),
                        "interval": e.interval.map(|x| round_to(x, 6)),
                        "sd": round_to(e.sd, 6),
                        "weight": round_to(e.weight, 4),
                    })
                })
                .collect();
            json!({
                "suggested": true,
                "stations": fitted.stations,
                "activations": fitted.activations,
                "effects": effects,
                "constant": fitted.constant,
                "caution": "only high-scoring places were ever tried",
            })
        }
    }
}

pub(super) fn weights_toml(fitted: &Fitted) -> String {
    let mut text = format!(
        "# What the check log suggests for the weights of siting, from {} activations at {} stations.\n\
         # Nothing applies this file: copy what convinces you into the plan.\n\
         # Only high-scoring places were ever tried, so effects are understated, and a part\n\
         # whose interval holds 0 may have no effect at all.\n\n[sites.weights]\n",
        fitted.activations, fitted.stations
    );
    for e in &fitted.effects {
        let [low, high] = e.interval;
        text += &format!(
            "{} = {:.3} # log rate per standard deviation {:.3} (95 percent: {low:.3} to {high:.3})\n",
            toml_key(&e.part),
            e.weight,
            e.log_rate_per_sd
        );
    }
    for part in &fitted.constant {
        text += &format!("# {part}: the same at every station, nothing can be said\n");
    }
    text
}

/// A bare key where TOML allows one, else a quoted one.
fn toml_key(name: &str) -> String {
    let bare = !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-');
    if bare { name.to_string() } else { Value::from(name).to_string() }
}
