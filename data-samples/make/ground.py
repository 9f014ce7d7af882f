"""Plane geometry in local metres, and the way from there to longitude and latitude.

The local origin is put at a place in open sea, so that the country cannot be taken for
a real one; it is in UTM zone 55 south.
"""

import json
import math
from itertools import pairwise

ORIGIN_EAST_M, ORIGIN_NORTH_M = 655_000.0, 5_655_000.0  # UTM zone 55 south
CENTRAL_MERIDIAN_DEG = 147.0


def lon_lat(point, digits=7):
    """Longitude and latitude in degrees (WGS84) of local metres: the inverse transverse
    Mercator series of Krueger to the third flattening's third power (under 1 mm here)."""
    a, n = 6_378_137.0, 1.0 / (2.0 * 298.257223563 - 1.0)
    big = a / (1.0 + n) * (1.0 + n**2 / 4.0 + n**4 / 64.0)
    xi0 = (point[1] + ORIGIN_NORTH_M - 10_000_000.0) / (0.9996 * big)
    eta0 = (point[0] + ORIGIN_EAST_M - 500_000.0) / (0.9996 * big)
    beta = (
        n / 2.0 - 2.0 * n**2 / 3.0 + 37.0 * n**3 / 96.0,
        n**2 / 48.0 + n**3 / 15.0,
        17.0 * n**3 / 480.0,
    )
    xi, eta = xi0, eta0
    for j, b in enumerate(beta, 1):
        xi -= b * math.sin(2 * j * xi0) * math.cosh(2 * j * eta0)
        eta -= b * math.cos(2 * j * xi0) * math.sinh(2 * j * eta0)
    chi = math.asin(math.sin(xi) / math.cosh(eta))
    delta = (
        2.0 * n - 2.0 * n**2 / 3.0 - 2.0 * n**3,
        7.0 * n**2 / 3.0 - 8.0 * n**3 / 5.0,
        56.0 * n**3 / 15.0,
    )
    latitude = chi + sum(d * math.sin(2 * j * chi) for j, d in enumerate(delta, 1))
    longitude = math.radians(CENTRAL_MERIDIAN_DEG) + math.atan2(math.sinh(eta), math.cos(xi))
    return [round(math.degrees(longitude), digits), round(math.degrees(latitude), digits)]


def distance(a, b):
    """Metres between two points."""
    return math.sqrt((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2)


def length(line):
    """Metres along a line."""
    return sum(distance(a, b) for a, b in pairwise(line))


def toward(a, b, share):
    """The point that lies `share` of the way from a to b."""
    return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])


def along(line, metres):
    """The point `metres` along a line, and the unit direction there."""
    for a, b in pairwise(line):
        step = distance(a, b)
        if step > 0.0 and metres <= step:
            return toward(a, b, metres / step), ((b[0] - a[0]) / step, (b[1] - a[1]) / step)
        metres -= step
    return line[-1], ((b[0] - a[0]) / step, (b[1] - a[1]) / step)


def crossing(a, b, c, d):
    """Where segment ab crosses segment cd, or None."""
    rx, ry, sx, sy = b[0] - a[0], b[1] - a[1], d[0] - c[0], d[1] - c[1]
    turn = rx * sy - ry * sx
    if turn == 0.0:
        return None
    t = ((c[0] - a[0]) * sy - (c[1] - a[1]) * sx) / turn
    u = ((c[0] - a[0]) * ry - (c[1] - a[1]) * rx) / turn
    return toward(a, b, t) if 0.0 <= t <= 1.0 and 0.0 <= u <= 1.0 else None


def crossings(one, other):
    """Every point where two lines cross, in the order of the first."""
    found = []
    for a, b in pairwise(one):
        here = [p for c, d in pairwise(other) if (p := crossing(a, b, c, d))]
        found += sorted(here, key=lambda p: distance(a, p))
    return found


def foot(line, point):
    """The point of a line nearest to a point, and the number of its segment."""
    best = None
    for i, (a, b) in enumerate(pairwise(line)):
        dx, dy = b[0] - a[0], b[1] - a[1]
        t = ((point[0] - a[0]) * dx + (point[1] - a[1]) * dy) / (dx * dx + dy * dy)
        near = toward(a, b, min(max(t, 0.0), 1.0))
        if best is None or distance(near, point) < best[0]:
            best = distance(near, point), near, i
    return best[1], best[2]


def add_vertex(line, point):
    """Makes a point on (or very near) a line one of its vertices."""
    if all(distance(vertex, point) > 0.5 for vertex in line):
        line.insert(foot(line, point)[1] + 1, point)


def simplified(line, tolerance_m):
    """Drops vertices that lie within the tolerance of the line left (Douglas & Peucker 1973)."""
    if len(line) < 3:
        return list(line)
    far = max(
        range(1, len(line) - 1),
        key=lambda i: (
            distance(foot([line[0], line[-1]], line[i])[0], line[i])
            if line[0] != line[-1]
            else distance(line[0], line[i])
        ),
    )
    base = foot([line[0], line[-1]], line[far])[0] if line[0] != line[-1] else line[0]
    if distance(base, line[far]) <= tolerance_m:
        return [line[0], line[-1]]
    return simplified(line[: far + 1], tolerance_m)[:-1] + simplified(line[far:], tolerance_m)


def inside(ring, point):
    """Whether a point lies inside a closed ring."""
    odd = False
    for a, b in pairwise(ring):
        if (a[1] > point[1]) != (b[1] > point[1]):
            if point[0] < a[0] + (point[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0]):
                odd = not odd
    return odd


def point_feature(point, **properties):
    """A GeoJSON point."""
    return feature({"type": "Point", "coordinates": lon_lat(point)}, properties)


def line_feature(line, digits=7, **properties):
    """A GeoJSON line; vertices that round to the same place are written once."""
    places = [lon_lat(p, digits) for p in line]
    places = places[:1] + [b for a, b in pairwise(places) if a != b]
    return feature({"type": "LineString", "coordinates": places}, properties)


def polygon_feature(ring, **properties):
    """A GeoJSON polygon of one ring, turned to run counter-clockwise."""
    turn = sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(ring))
    ring = ring if turn > 0 else ring[::-1]
    return feature({"type": "Polygon", "coordinates": [[lon_lat(p) for p in ring]]}, properties)


def feature(geometry, properties):
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def write_layer(folder, name, features, prefix):
    """One feature a line, numbered, so that a difference between two versions is readable."""
    rows = []
    for number, item in enumerate(features, 1):
        item = {"type": "Feature", "id": f"{prefix}{number}", **item}
        rows.append(json.dumps(item, separators=(",", ":")))
    text = '{"type":"FeatureCollection","note":"invented sample data","features":[\n'
    (folder / name).write_text(text + ",\n".join(rows) + "\n]}\n", encoding="utf-8", newline="\n")
