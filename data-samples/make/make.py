"""Makes the invented sample property: `python3 data-samples/make/make.py`.

Standard library only; run again, it writes the same bytes. Terrain first, then the lines
that people made on it, then survey, stations and wind.
"""

import math
import pathlib
import random
from itertools import pairwise

import lines
import stations
import survey
from ground import (
    crossings,
    distance,
    line_feature,
    point_feature,
    polygon_feature,
    simplified,
    toward,
    write_layer,
)
from terrain import Country

FOLDER = pathlib.Path(__file__).resolve().parent.parent
NOT_LAW = "invented for the demo, not a legal distance"
SEED = 3

# Keep-outs by name and place, the dam with the radius of its water.
HOUSES = [
    ("homestead", (1440, 4800)),
    ("cottage", (1180, 2480)),
    ("house across the road", (640, 5320)),
]
WATERS = [("ridge tank", (3420, 5060)), ("top tank", (6380, 6080)), ("creek bore", (5050, 2450))]
DAM = ("house dam", (3700, 3640), 38.0)

# Neighbouring parcels by their corners; a word stands for a corner of the property.
PARCELS = [
    ("Parcel N1", ["north-west", (1160, 8100), (4380, 8180), "north"]),
    ("Parcel N2", ["north", (4380, 8180), (9500, 8000), "north-east"]),
    ("Parcel N3", ["north-east", (9500, 8000), (10900, 7700), (10700, 4000), "east", "east bend"]),
    ("Parcel N4", ["east", (10700, 4000), (10300, 200), "south-east", "low east"]),
    ("Parcel N5", ["south-east", (10300, 200), (4950, -350), "south"]),
    ("Parcel N6", ["south", (4950, -350), (900, -150), "south-west"]),
    ("Parcel N7", [(790, 400), (850, 1500), (810, 2600), (945, 3650), (-600, 3700), (-650, 500)]),
    (
        "Parcel N8",
        [
            (945, 3650),
            (970, 4700),
            (890, 5700),
            (1035, 6600),
            (1015, 7400),
            (-500, 7300),
            (-600, 3700),
        ],
    ),
]
CORNER_NAMES = [
    "north-west",
    "north",
    "north-east",
    "east bend",
    "east",
    "low east",
    "south-east",
    "south",
    "south-west",
]


def natural_layers(country):
    """The creeks in country metres, and the features of creeks (downstream, with the height
    of both ends) and ridges."""
    creeks = [[country.bend(p) for p in line] for line, _, _ in country.creeks]
    feet = [line[-1] for line in creeks]
    creek_features = []
    for number, line in enumerate(creeks):
        _, area, (head, foot) = country.creeks[number]
        name = f"Branch {number}" if area > 1.5e6 else f"Gully {number}"
        about = {"kind": "creek", "name": name if number else "Main Creek"}
        about |= {"head_m": round(head, 1), "foot_m": round(foot, 1)}
        creek_features.append(line_feature(thinned(line, feet), **about))

    bent = [[country.bend(p) for p in line] for line in country.ridges]
    ridges = [piece for line in bent for piece in between_creeks(line, creeks)]
    feet = [line[-1] for line in ridges]
    ridge_features = [
        line_feature(thinned(line, feet), kind="ridge", name=f"Ridge {number}")
        for number, line in enumerate(ridges, 1)
    ]
    return creeks, creek_features, ridge_features


def between_creeks(ridge, creeks):
    """A ridge without the steps in which rounding its corners took it over a creek's head."""
    pieces = [[ridge[0]]]
    for a, b in pairwise(ridge):
        if any(crossings([a, b], creek) for creek in creeks):
            pieces.append([b])
        else:
            pieces[-1].append(b)
    return [piece for piece in pieces if len(piece) > 6]


def thinned(line, joins):
    """A natural line with fewer vertices; those at which others join it stay."""
    out, start = [line[0]], 0
    for i in range(1, len(line)):
        if i == len(line) - 1 or line[i] in joins:
            out += simplified(line[start : i + 1], 3.0)[1:]
            start = i
    return out


def shortened(name, line):
    """A track as it was digitised: two of them stop short of the track they meet."""
    short = lines.SHORT_BY_M.get(name, 0.0)
    return (
        line[:-1] + [toward(line[-1], line[-2], short / distance(line[-1], line[-2]))]
        if short
        else line
    )


def keep_outs():
    """Houses, tanks, a bore and a dam, each with its invented distance."""
    for name, at in HOUSES:
        yield point_feature(
            at, kind="dwelling", name=name, reason="dwelling", distance_m=211, note=NOT_LAW
        )
    for name, at in WATERS:
        yield point_feature(
            at, kind="water", name=name, reason="water point", distance_m=137, note=NOT_LAW
        )
    name, (x, y), radius = DAM
    shore = [
        (x + radius * (1 + 0.2 * math.cos(2 * a)) * math.cos(a), y + radius * math.sin(a))
        for a in (k * math.pi / 8 for k in range(16))
    ]
    yield polygon_feature(
        shore + shore[:1],
        kind="water",
        name=name,
        reason="water point",
        distance_m=137,
        note=NOT_LAW,
    )


def parcels():
    """Neighbouring land; whoever holds it is a role, never a person."""
    corners = dict(zip(CORNER_NAMES, lines.CORNERS, strict=True))
    for name, places in PARCELS:
        outline = [corners.get(p, p) for p in places]
        yield polygon_feature(
            outline + outline[:1],
            name=name,
            holder=f"holder of {name}",
            contact="invented: no contact",
            note="invented parcel",
        )


def main():
    rng = random.Random(SEED)
    country = Country(SEED, lambda p: 600.0 < p[0] < 9700.0 and 600.0 < p[1] < 7400.0)
    creeks, creek_features, ridge_features = natural_layers(country)
    road, ring, tracks, fences, gates = lines.build(country)

    def write(name, features, prefix):
        write_layer(FOLDER, name, list(features), prefix)

    write("creeks.geojson", creek_features, "creek-")
    write("ridges.geojson", ridge_features, "ridge-")
    write(
        "tracks.geojson",
        (line_feature(shortened(n, way), kind="track", name=n) for n, way in tracks),
        "track-",
    )
    pieces = lines.bridged(road, creeks[0])
    write(
        "road.geojson",
        (
            line_feature(p, kind="road", name="Public Road", **({"bridge": True} if i == 1 else {}))
            for i, p in enumerate(pieces)
        ),
        "road-",
    )
    write(
        "fences.geojson", (line_feature(way, kind="fence", name=n) for n, way in fences), "fence-"
    )
    write(
        "gates.geojson",
        (
            point_feature(p, kind="gate", name=f"{t.removesuffix(' Track')} gate, {f}")
            for p, f, t in gates
        ),
        "gate-",
    )
    write(
        "boundary.geojson",
        [line_feature(ring, kind="boundary", name="property boundary")],
        "boundary-",
    )
    write(
        "area.geojson",
        [polygon_feature(ring, name="the sample property", note="invented")],
        "area-",
    )
    write("parcels.geojson", parcels(), "parcel-")
    write("keep-outs.geojson", keep_outs(), "keep-out-")

    legs, records = survey.survey(rng, [line for _, line in tracks])
    records = sorted(
        records + list(survey.reports(rng)),
        key=lambda r: (r[1]["date"], r[1].get("survey", ""), r[0]),
    )
    write("survey.geojson", (line_feature(way, 6, **about) for way, about in legs), "leg-")
    write("sign.geojson", (point_feature(p, **about) for p, about in records), "sign-")
    write(
        "stations.geojson",
        (point_feature(p, **about) for p, about in stations.stations(tracks)),
        "",
    )
    stations.check_log(FOLDER / "checks.csv")
    stations.wind(rng, FOLDER / "wind.csv")


if __name__ == "__main__":
    main()
