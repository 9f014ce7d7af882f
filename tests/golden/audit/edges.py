"""Geodesic distances from places to edges that are straight in longitude and latitude.

The nearest point is sought by sampling the edge at 2001 places and refining around each of the five
nearest with a bounded scalar search; distances are pyproj's geodesics (GeographicLib inside PROJ).
Needs pyproj and scipy; writes edges.json beside itself:

    python edges.py
"""

import json
import math
import pathlib
import random

import pyproj
import scipy
from scipy.optimize import minimize_scalar

GEOD = pyproj.Geod(ellps="WGS84")


def short_way(degrees):
    return (degrees + 180.0) % 360.0 - 180.0


def on_edge(a, b, t):
    return short_way(a[0] + short_way(b[0] - a[0]) * t), a[1] + (b[1] - a[1]) * t


def distance(place, a, b, t):
    lon, lat = on_edge(a, b, t)
    return GEOD.inv(place[0], place[1], lon, lat)[2]


def nearest(place, a, b):
    steps = 2000
    sampled = sorted((distance(place, a, b, k / steps), k) for k in range(steps + 1))
    best = sampled[0][0]
    for _, k in sampled[:5]:
        low, high = max(0, k - 1) / steps, min(steps, k + 1) / steps
        found = minimize_scalar(
            lambda t: distance(place, a, b, t), bounds=(low, high), method="bounded", options={"xatol": 1e-13}
        )
        best = min(best, found.fun, distance(place, a, b, low), distance(place, a, b, high))
    return best


def made(rng):
    """A place and an edge of a length from 1 m to 300 km, from 1 m to 100 km apart, anywhere."""
    lat = rng.choice([rng.uniform(-70, 70), rng.uniform(-70, 70), rng.uniform(80, 89.5), rng.uniform(-89.5, -80)])
    lon = rng.choice([rng.uniform(-180, 180), 179.999, -179.999])
    length = 10 ** rng.uniform(0, 5.5)
    away = 10 ** rng.uniform(0, 5)
    b = GEOD.fwd(lon, lat, rng.uniform(0, 360), length)[:2]
    t = rng.uniform(-0.2, 1.2)
    mid = on_edge((lon, lat), b, t)
    place = GEOD.fwd(mid[0], max(-89.9, min(89.9, mid[1])), rng.uniform(0, 360), away)[:2]
    return [round(x, 9) for x in place], [round(lon, 9), round(lat, 9)], [round(x, 9) for x in b]


def main():
    rng = random.Random(20261201)
    cases = []
    while len(cases) < 300:
        place, a, b = made(rng)
        if max(abs(p[1]) for p in (place, a, b)) > 89.9 or abs(short_way(b[0] - a[0])) > 90:
            continue
        cases.append({"place": place, "a": a, "b": b, "distance_m": round(nearest(place, a, b), 7)})
    # A point, an edge along a parallel seen from its inner side, one along the equator, one over the
    # antimeridian.
    for place, a, b in [
        ([148.2, -35.4], [148.21, -35.4], [148.21, -35.4]),
        ([148.5, -60.0], [148.0, -60.001], [149.0, -60.001]),
        ([10.0, 0.02], [9.0, 0.0], [11.0, 0.0]),
        ([179.9999, -17.0], [-179.99, -17.01], [179.98, -16.99]),
    ]:
        cases.append({"place": place, "a": a, "b": b, "distance_m": round(nearest(place, a, b), 7)})
    versions = {"pyproj": pyproj.__version__, "proj": pyproj.proj_version_str, "scipy": scipy.__version__}
    path = pathlib.Path(__file__).with_name("edges.json")
    lines = ",\n".join(json.dumps(case) for case in cases)
    path.write_text(f'{{"made_with": {json.dumps(versions)}, "cases": [\n{lines}\n]}}\n')
    print(len(cases), "cases;", math.ceil(max(c["distance_m"] for c in cases)), "m the farthest")


main()
