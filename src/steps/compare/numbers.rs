//! The index numbers of a comparison: sign per km and what it is worth.

use geo::Contains;
use geo_types::{Coord, MultiPolygon};
use serde_json::{Value, json};

use crate::season::{
    ControlImpact, DetectableRatio, Interval, Outing, Outings, Season, SplitUnit, Unit, control_impact,
    detectable_ratio, dispersion_index, exact_rate_ratio, rate_ratio_interval,
};
use crate::surface::WeightedPoint;

/// Numbers of a comparison of rates.
pub(super) struct Rates {
    pub per_km: (f64, f64),
    /// After over before; `None` where before had none.
    pub ratio: Option<f64>,
    pub interval: Option<Interval>,
    pub power: Option<DetectableRatio>,
    /// Against untreated ground, where the plan names some.
    pub impact: Option<ControlImpact>,
    dispersion: (Option<f64>, Option<f64>),
    exact: Value,
}

fn units(outings: &Outings, season: Season) -> Vec<Unit> {
    outings.of(season).map(|o| Unit { sign: o.sign_count(), km: o.searched_km() }).collect()
}

/// The numbers where both seasons were searched.
pub(super) fn rates(outings: &Outings, untreated: Option<&MultiPolygon<f64>>, seed: u64) -> Rates {
    let (before, after) = (units(outings, Season::Before), units(outings, Season::After));
    let total = |season| (outings.sign_count(season), outings.searched_km(season));
    let ((sign_1, km_1), (sign_2, km_2)) = (total(Season::Before), total(Season::After));
    let per_km = (sign_1 / km_1, sign_2 / km_2);
    Rates {
        per_km,
        ratio: (per_km.0 > 0.0).then(|| per_km.1 / per_km.0),
        interval: rate_ratio_interval(&before, &after, seed),
        power: detectable_ratio(&before, &after, seed),
        impact: untreated.and_then(|ground| treated_against(outings, ground, seed)),
        dispersion: (dispersion_index(&before), dispersion_index(&after)),
        exact: exact((sign_1, sign_2), (km_1, km_2)),
    }
}

/// The exact comparison of counts, after over before; null where counts are not whole.
fn exact(sign: (f64, f64), km: (f64, f64)) -> Value {
    let whole = |n: f64| (n.fract() == 0.0 && n < 1e9).then_some(n as u64);
    let (Some(before), Some(after)) = (whole(sign.0), whole(sign.1)) else { return Value::Null };
    match exact_rate_ratio((after, before), (km.1, km.0)) {
        None => Value::Null,
        Some(exact) => json!({
            "label": "as if every sign were independent",
            "ratio": finite(exact.ratio),
            "interval_95": [finite(exact.interval.low), finite(exact.interval.high)],
            "p": exact.p,
        }),
    }
}

/// A number, or null where JSON has none.
pub(super) fn finite(value: f64) -> Value {
    if value.is_finite() { json!(value) } else { Value::Null }
}

pub(super) fn interval_json(interval: Option<Interval>) -> Value {
    interval.map_or(Value::Null, |i| json!([finite(i.low), finite(i.high)]))
}

impl Rates {
    pub fn json(&self) -> Value {
        let few = "fewer than eight outings in a season, or no sign in one";
        json!({
            "rate_ratio": self.ratio,
            "interval_95": interval_json(self.interval),
            "interval_reason": if self.interval.is_none() { json!(few) } else { Value::Null },
            "interval_method": "outings resampled within seasons, bias-corrected and accelerated",
            "dispersion_before": self.dispersion.0,
            "dispersion_after": self.dispersion.1,
            "exact_poisson": self.exact,
            "power": self.power.map_or(Value::Null, |p| json!({
                "power": 0.8, "level": 0.05, "rise_seen": finite(p.rise), "fall_seen": finite(p.fall),
            })),
        })
    }
}

/// Before and after, on treated and on untreated ground.
fn treated_against(outings: &Outings, untreated: &MultiPolygon<f64>, seed: u64) -> Option<ControlImpact> {
    let split = |outing: &Outing| -> SplitUnit {
        let sums = |points: &[WeightedPoint]| {
            points.iter().fold([0.0, 0.0], |mut sums, p| {
                let outside = untreated.contains(&Coord { x: p.at.x_m, y: p.at.y_m });
                sums[usize::from(outside)] += p.weight;
                sums
            })
        };
        let (sign, km) = (sums(&outing.sign), sums(&outing.searched));
        [Unit { sign: sign[0], km: km[0] }, Unit { sign: sign[1], km: km[1] }]
    };
    let of = |season| -> Vec<SplitUnit> { outings.of(season).map(split).collect() };
    control_impact(&of(Season::Before), &of(Season::After), seed)
}

pub(super) fn control_impact_json(found: Option<&ControlImpact>) -> Value {
    found.map_or(Value::Null, |c| {
        json!({
            "ratio_of_rate_ratios": c.log_ratio.exp(),
            "log_ratio": c.log_ratio,
            "interval_95": interval_json(c.interval),
            "as_if_independent": {
                "error": c.error_if_independent, "z": c.z_if_independent, "p": c.p_if_independent,
            },
        })
    })
}
