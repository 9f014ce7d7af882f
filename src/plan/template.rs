//! The plan that `stakeline new` writes to start from.

/// A commented plan. It holds no distance to keep: those come from permit and label.
pub fn template(name: &str) -> String {
    format!(
        r##"# A stakeline plan for {name}. Paths are relative to this file.
# Lines that begin with "# " are suggestions: take the mark off to use them.
# Run:  stakeline inspect plan.toml      looks at the inputs and computes nothing
#       stakeline run plan.toml --out results

[place]
# name = "the place"         # for the titles of map and field sheet
# epsg = 32755               # a projected system in metres; left out, the UTM zone is chosen
# area = "area.geojson"      # polygons of the land you control; nothing is proposed outside
# time_zone = "Australia/Sydney"

# [select]
# animals = ["dog"]          # which animals' sign is used
# from = "2026-01-01"        # first day
# to = "2026-12-31"          # last day

# Records of sign: points.
[[sign]]
file = "sign.geojson"

# Lines, by kind: track, road, fence, creek, ridge, boundary, other.
[[line]]
kind = "track"
file = "tracks.geojson"

# [[line]]
# kind = "creek"
# file = "creeks.geojson"

# [terrain]
# dem = "heights.tif"        # a GeoTIFF of heights: its ridges and creeks serve where no file has any

# Places where no station may stand. The distance comes from your permit and label.
# This program knows none and supplies none.
# [[keep_out]]
# file = "dwellings.geojson"
# reason = "dwelling"
# distance_m =

# Stations that are in the ground already.
# [[station]]
# file = "stations.geojson"

# What the crew wrote down at each check.
# [[check]]
# file = "checks.csv"

# Neighbouring land: who is told, within the distance that your permit and label say.
# [[parcel]]
# file = "parcels.geojson"
# notify_m =

[surface]
# kernel = "gaussian"
# bandwidth = "scott"        # or metres, or another rule
# edge = "jones-diggle"      # keeps the activity inside the area
# half_life_days = 180       # older sign counts less
# merge_repeats = true       # the same sign reported twice counts once

[nodes]
# snap_m = 5                 # gaps up to this are closed
# merge_m = 5                # GPS passes of one track become one line; 0 keeps all

[sites]
# spacing_m = 1000           # yours to set: guides differ, and your permit may say
# budget = 20                # most sites to propose
# must = "must.geojson"      # sites that must be, as the map saves them
# never = "never.geojson"    # places where none may be
# cover = "scrub.geojson"    # polygons of cover
# [sites.targets]            # what each animal counts, if they are told apart
# dog = {{ weight = 2 }}
# fox = {{ weight = 1 }}

[round]
# start = [148.2, -35.4]     # where every day starts: longitude, latitude
# hours_per_day = 8          # left out, one day however long
# every_days = 28            # yours to set: local rules can demand more, up to every day
"##
    )
}
