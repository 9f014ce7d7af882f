"""Edge-corrected densities of real cases, and of adaptive bandwidths in a rectangle.

Run: STAKELINE_CASES=folder python edge.py > edge.json
Made with numpy 2.4.6, scipy 1.17.1, shapely 2.2.0, pyproj 3.7.2.

The area of a case is the box of its records in degrees with its south-west corner cut out. The
mass of the normal kernel inside it is, by Green's theorem, a sum of one-dimensional integrals
along its sides, by scipy.integrate.quad. Records outside the area are left out.
"""

import json, os
import numpy as np
from pyproj import Transformer
from scipy.integrate import quad
from scipy.special import ndtr
from shapely.geometry import Point, Polygon


def mass(ring, p, s):
    total = 0.0
    for (x0, y0), (x1, y1) in zip(ring, ring[1:]):
        if y0 == y1:
            continue
        def g(y):
            x = x0 + (y - y0) * (x1 - x0) / (y1 - y0)
            return ndtr((x - p[0]) / s) * np.exp(-0.5 * ((y - p[1]) / s) ** 2) / (s * np.sqrt(2 * np.pi))
        inside = [p[1]] if min(y0, y1) < p[1] < max(y0, y1) else None
        total += quad(g, y0, y1, epsabs=1e-11, epsrel=1e-10, points=inside, limit=200)[0]
    return total


def case(name, epsg, s):
    folder = os.path.join(os.environ["STAKELINE_CASES"], name)
    to_ground = Transformer.from_crs(4326, epsg, always_xy=True)
    features = json.load(open(os.path.join(folder, "points.geojson")))["features"]
    lonlat = np.array([f["geometry"]["coordinates"][:2] for f in features])
    a, b = lonlat.min(0) - 1e-4, lonlat.max(0) + 1e-4
    c = a + (b - a) * 0.35
    ring = [(c[0], a[1]), (b[0], a[1]), (b[0], b[1]), (a[0], b[1]), (a[0], c[1]), (c[0], c[1]), (c[0], a[1])]
    ring = [[round(float(v), 7) for v in corner] for corner in ring]
    ground = [to_ground.transform(*corner) for corner in ring]
    area = Polygon(ground)
    points = np.array([to_ground.transform(*p) for p in lonlat])
    points = points[[area.contains(Point(p)) for p in points]]
    own = np.array([mass(ground, p, s) for p in points])
    uniform, diggle, kept = [], [], []
    locations = json.load(open(os.path.join(folder, "expected.json")))["kde"]["locations"]
    for index, place in enumerate(locations):
        at = np.array([place["x"], place["y"]])
        if not area.contains(Point(at)):
            continue
        k = np.exp(-0.5 * ((points - at) ** 2).sum(1) / s**2) / (2 * np.pi * s * s) * 1e6
        kept.append(index)
        uniform.append(float(k.sum() / mass(ground, at, s)))
        diggle.append(float((k / own).sum()))
    return {"case": name, "epsg": epsg, "sigma_m": s, "area": ring, "locations": kept, "inside": len(points),
            "uniform_per_km2": uniform, "jones_diggle_per_km2": diggle}


def adaptive():
    x = np.array([120, 135, 150, 160, 180, 210, 240, 300, 420, 455, 470, 480, 500, 515, 560, 640, 720, 760, 810, 905.0])
    y = np.array([110, 140, 125, 160, 150, 205, 190, 260, 390, 410, 380, 430, 420, 445, 400, 520, 600, 240, 655, 700.0])
    f = lambda px, py, h: (np.exp(-0.5 * ((px - x) ** 2 + (py - y) ** 2) / h**2) / (2 * np.pi * h**2)).sum()
    pilot = np.array([f(px, py, 90.0) for px, py in zip(x, y)])
    mean = np.exp(np.log(pilot).mean())
    own = 90.0 * (pilot / mean) ** -0.5
    most = 5 * np.median(own)
    found = []
    for px, py in [(500, 420), (180, 150), (905, 700), (20, 20), (990, 400)]:
        h = min(90.0 * (f(px, py, 90.0) / mean) ** -0.5, most)
        q = (ndtr((1000 - px) / h) - ndtr(-px / h)) * (ndtr((800 - py) / h) - ndtr(-py / h))
        found.append([px, py, float(f(px, py, np.minimum(own, most)) / q * 1e6)])
    return found


print(json.dumps({
    "cases": [case("geodanet-tempe", 32612, 100.0), case("soho-snow", 32630, 50.0),
              case("idaho-coyote-5min", 32612, 500.0)],
    "adaptive_uniform": adaptive(),
}, indent=1))
