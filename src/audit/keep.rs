//! Keep-outs, barred places, the area and parcels, held against every place.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use geo_types::Geometry;
use rayon::prelude::*;

use super::breach::{Breach, Promise, metres};
use super::rules::Rules;
use super::shapes::{Found, Shapes};
use super::space::Spot;
use super::stand::Stand;
use super::{NearKeepOut, Parcel};
use crate::job::Job;
use crate::record::{KeepOut, SourcePlace};

/// Two measurements of one distance may differ by this much, in metres.
const ALIKE_M: f64 = 0.002;

/// A written number of metres has two decimals and is measured anew.
const WRITTEN_WITHIN_M: f64 = 0.01;

/// A layer with more reasons than this is one kind: each feature says its own, and a column for
/// each would be no table.
const MOST_REASONS: usize = 12;

/// What the plan bars by hand is a kind of its own, by this name.
const NEVER: &str = "never";

/// Keep-outs of one kind: of one reason, or of one file.
pub(super) struct Kind<'a> {
    pub name: String,
    features: Vec<&'a KeepOut>,
    shapes: Shapes,
}

/// All that a place is held against.
pub(super) struct Ground<'a> {
    pub kinds: Vec<Kind<'a>>,
    keep_outs: Barring<'a>,
    never: Barring<'a>,
    area: Option<Shapes>,
    pub parcels: &'a [Parcel],
    parcel_shapes: Shapes,
}

/// Features, each with the distance in metres within which it bars a site.
struct Barring<'a> {
    features: &'a [KeepOut],
    shapes: Shapes,
    error_m: f64,
}

impl<'a> Barring<'a> {
    fn new(features: &'a [KeepOut], error_m: f64) -> Self {
        let reach = |k: &'a KeepOut| (&k.geometry, k.distance_m + error_m + ALIKE_M);
        Self { features, shapes: Shapes::new(features.iter().map(reach)), error_m }
    }

    /// Every feature that bars a place, with the distance that it asks for.
    fn barring(&self, spot: &Spot, is_site: bool) -> Vec<(&'a KeepOut, Found, f64)> {
        let error_m = if is_site { self.error_m } else { 0.0 };
        let all = self.shapes.in_reach(spot).into_iter();
        all.filter_map(|found| {
            let feature = self.features.get(found.feature)?;
            let limit_m = feature.distance_m + error_m;
            let distance_m = found.measured.distance_m;
            (distance_m == 0.0 || distance_m + ALIKE_M < limit_m).then_some((feature, found, limit_m))
        })
        .collect()
    }
}

impl<'a> Ground<'a> {
    pub fn new(job: &'a Job, rules: &Rules, parcels: &'a [Parcel]) -> Self {
        let area = job.area.as_ref().map(|a| Geometry::MultiPolygon(a.lonlat.polygons.clone()));
        let shapes: Vec<Geometry<f64>> = parcels.iter().map(|p| p.shape.clone().into()).collect();
        Self {
            kinds: kinds(job),
            keep_outs: Barring::new(&job.keep_outs, rules.placement_error_m),
            never: Barring::new(&job.never, 0.0),
            area: area.map(|a| Shapes::new([(&a, 0.0)])),
            parcels,
            parcel_shapes: Shapes::new(shapes.iter().map(|g| (g, 0.0))),
        }
    }

    /// The nearest of each kind, in the order of the kinds.
    pub fn nearest_of_kinds(&self, stand: &Stand, rules: &Rules) -> Vec<Option<NearKeepOut>> {
        let of = |kind: &Kind| {
            let found = kind.shapes.nearest(&stand.spot, |_| false)?;
            let feature = kind.features.get(found.feature)?;
            let error_m =
                if stand.site.is_some() && kind.name != NEVER { rules.placement_error_m } else { 0.0 };
            Some(NearKeepOut {
                name: name_of(feature),
                from: origin(&feature.source),
                distance_m: found.measured.distance_m,
                error_m: found.measured.error_m,
                limit_m: feature.distance_m + error_m,
            })
        };
        self.kinds.iter().map(of).collect()
    }

    /// Whether a place lies in the area, and metres to its boundary; `None` without an area.
    pub fn in_area(&self, spot: &Spot) -> Option<(bool, f64)> {
        let area = self.area.as_ref()?;
        let boundary = area.nearest_edge(spot, |_| false);
        Some((!area.holding(spot.at).is_empty(), boundary.map_or(f64::INFINITY, |f| f.measured.distance_m)))
    }

    /// The parcels that hold a place, and the nearest other with its distance in metres.
    pub fn parcels_at(&self, spot: &Spot) -> (Vec<usize>, Option<(usize, f64)>) {
        let holding = self.parcel_shapes.holding(spot.at);
        let next = self.parcel_shapes.nearest(spot, |p| holding.contains(&p));
        let next = next.map(|f| (f.feature, f.measured.distance_m));
        (holding, next)
    }

    /// What is wrong with a place; for a station, without the error of placement.
    pub fn faults(&self, stand: &Stand) -> Vec<Breach> {
        let is_site = stand.site.is_some();
        let mut breaches = Vec::new();
        for (barring, promise, what) in [
            (&self.keep_outs, Promise::KeepOut, "the keep-out"),
            (&self.never, Promise::Never, "barred by the plan:"),
        ] {
            for (feature, found, limit_m) in barring.barring(&stand.spot, is_site) {
                let about = format!("{what} \"{}\" ({})", name_of(feature), origin(&feature.source));
                let error_m = limit_m - feature.distance_m;
                let expected = match (limit_m > 0.0, error_m > 0.0) {
                    (true, true) => format!(
                        "at least {} m and {error_m} m more for the error of placement",
                        feature.distance_m
                    ),
                    (true, false) => format!("at least {limit_m} m"),
                    _ => "a place outside it".to_string(),
                };
                let distance_m = found.measured.distance_m;
                let found = if distance_m == 0.0 { "a place in it".into() } else { metres(distance_m) };
                breaches.push(stand.breach(promise, about, expected, found));
            }
        }
        if let Some((false, boundary_m)) = self.in_area(&stand.spot)
            && boundary_m > ALIKE_M
        {
            breaches.push(stand.breach(
                Promise::Area,
                "the area".into(),
                "a place inside it".into(),
                format!("one outside, {} from its boundary", metres(boundary_m)),
            ));
        }
        breaches
    }

    /// The keep-out that a site names as its nearest is as near as that, and has that limit.
    pub fn check_named(&self, stand: &Stand, breaches: &mut Vec<Breach>) {
        let Some(site) = stand.site else { return };
        let of = |kind: &Kind| kind.shapes.nearest(&stand.spot, |_| false).map(|f| f.measured.distance_m);
        let mut all = self.kinds.iter().filter(|k| k.name != NEVER);
        let Some(nearest_m) = all.clone().filter_map(of).min_by(f64::total_cmp) else { return };
        let breach = |about: &str, expected: String, found: String| {
            stand.breach(Promise::Number, format!("property \"{about}\""), expected, found)
        };
        let Some((distance_m, limit_m)) = site.keep_out else {
            breaches.push(breach("keep_out", format!("one {} away", metres(nearest_m)), "none".into()));
            return;
        };
        if (distance_m - nearest_m).abs() > WRITTEN_WITHIN_M {
            breaches.push(breach("keep_out.distance_m", metres(nearest_m), metres(distance_m)));
            return;
        }
        let has_limit = |kind: &Kind| {
            let near = |k: usize| {
                let others = kind.shapes.nearest(&stand.spot, |f| f != k);
                others.is_some_and(|f| f.measured.distance_m <= nearest_m + WRITTEN_WITHIN_M)
            };
            let as_said = |(_, f): &(usize, &&KeepOut)| f.distance_m == limit_m;
            kind.features.iter().enumerate().filter(as_said).any(|(k, _)| near(k))
        };
        if !all.any(has_limit) {
            let expected = "the distance of that keep-out in its layer".to_string();
            breaches.push(breach("keep_out.limit_m", expected, metres(limit_m)));
        }
    }
}

/// What is wrong with every place, in their order.
pub(super) fn check_ground(ground: &Ground, stands: &[Stand]) -> Vec<Vec<Breach>> {
    stands.par_iter().map(|stand| ground.faults(stand)).collect()
}

fn name_of(feature: &KeepOut) -> String {
    let own = feature.name.as_ref().or(feature.reason.as_ref());
    own.map_or_else(|| origin(&feature.source), ToString::to_string)
}

/// Where a feature came from, without folders: what is written does not hang on where inputs lie.
fn origin(source: &SourcePlace) -> String {
    let file = source.file.file_name().map(Path::new).unwrap_or(&source.file);
    SourcePlace { file: file.into(), ..source.clone() }.to_string()
}

/// Keep-outs by their reason, or by their file where its features have none or too many; what the plan
/// bars by hand comes last.
fn kinds(job: &Job) -> Vec<Kind<'_>> {
    let mut reasons: BTreeMap<&Path, BTreeSet<Option<&str>>> = BTreeMap::new();
    for k in &job.keep_outs {
        reasons.entry(&k.source.file).or_default().insert(k.reason.as_deref());
    }
    let kind_of = |k: &KeepOut| {
        let file = k.source.file.file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let few = reasons.get(&*k.source.file).is_some_and(|r| r.len() <= MOST_REASONS);
        k.reason.as_ref().filter(|_| few).map_or(file, Arc::<str>::to_string)
    };
    let mut by_kind: BTreeMap<String, Vec<&KeepOut>> = BTreeMap::new();
    for k in &job.keep_outs {
        by_kind.entry(kind_of(k)).or_default().push(k);
    }
    let mut kinds: Vec<Kind> = by_kind.into_iter().map(|(name, features)| kind(name, features)).collect();
    if !job.never.is_empty() {
        kinds.push(kind(NEVER.to_string(), job.never.iter().collect()));
    }
    kinds
}

fn kind(name: String, features: Vec<&KeepOut>) -> Kind<'_> {
    let shapes = Shapes::new(features.iter().map(|k| (&k.geometry, 0.0)));
    Kind { name, features, shapes }
}
