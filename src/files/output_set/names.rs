//! The names under which runs write.

/// Files that a later run may clear away once it no longer writes them. What is given to the user
/// to work on (a plan, the sample property) and what has columns to fill in is not among them.
const CLEARED: [&str; 52] = [
    "activity-at.geojson",
    "activity-lines.geojson",
    "activity-lines.json",
    "activity.json",
    "activity.tif",
    "audit.json",
    "audit.txt",
    "camera-rate.tif",
    "candidates.geojson",
    "change-areas.geojson",
    "change-lines.geojson",
    "change-p-asymptotic.tif",
    "change-p.tif",
    "change.tif",
    "checks.geojson",
    "checks.json",
    "compare.json",
    "creeks.geojson",
    "due.ics",
    "field-sheet.html",
    "figure-activity.svg",
    "figure-change.svg",
    "figure-nodes.svg",
    "figure-sites.svg",
    "figure-wind.svg",
    "hot-areas.geojson",
    "kit.csv",
    "layers.gpkg",
    "layers.kml",
    "map.html",
    "near-misses.geojson",
    "network.geojson",
    "nodes.geojson",
    "nodes.json",
    "plan.schema.json",
    "rate.tif",
    "ridges.geojson",
    "round.csv",
    "round.geojson",
    "round.gpx",
    "round.json",
    "saddles.geojson",
    "season-report.html",
    "settings.toml",
    "site-distances.csv",
    "sites.csv",
    "sites.geojson",
    "sites.gpx",
    "sites.json",
    "slope.tif",
    "suggested-weights.toml",
    "terrain.json",
];

/// Files that people fill in and that are merged into what a later run writes.
const MERGED: [&str; 1] = ["notices.csv"];

/// Whether people fill a file in, so that it is theirs to change.
pub(super) fn is_merged(name: &str) -> bool {
    MERGED.contains(&name)
}

/// Names with a part of their own: what stands before it and after it.
const FAMILIES: [(&str, &str); 4] =
    [("activity-", ".tif"), ("hot-areas-", ".geojson"), ("rate-", ".tif"), ("man1/stakeline", ".1")];

/// Whether a later run that does not write this file may clear it away, if nobody changed it.
pub(super) fn may_be_cleared(name: &str) -> bool {
    let of_family = |(before, after): &(&str, &str)| {
        name.strip_prefix(before).is_some_and(|rest| rest.ends_with(after) && !rest.contains('/'))
    };
    CLEARED.contains(&name) || name.starts_with("completions/") || FAMILIES.iter().any(of_family)
}
