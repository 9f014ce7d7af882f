#!/usr/bin/env python3
"""Writes geos.json: 1,000 seeded sets of lines, noded by GEOS on a grid of one step.

Coordinates are whole steps; the generator is splitmix64 (Steele, Lea & Flood 2014), written
the same in tests/network/geos.rs. GEOS snap-rounds once and is not idempotent, so it is
applied until nothing changes. Per set: vertices, unit segments, vertices by degree, length,
and a fingerprint of the segments themselves.
"""
import json

import numpy as np, shapely

MASK = (1 << 64) - 1


class Rng:
    def __init__(self, seed):
        self.s = seed

    def below(self, n):
        self.s = (self.s + 0x9E3779B97F4A7C15) & MASK
        z = self.s
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & MASK
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & MASK
        return (z ^ (z >> 31)) % n


def lines(seed):
    r = Rng(seed)
    kind = seed % 4
    out = []
    if kind == 0:  # random walks, steps up to 60 m, in 400 m
        for _ in range(8):
            x, y = r.below(40000), r.below(40000)
            p = [(x, y)]
            for _ in range(25):
                x += r.below(12001) - 6000
                y += r.below(12001) - 6000
                p.append((x, y))
            out.append(p)
    elif kind == 1:  # a lattice of long oblique lines
        for k in range(12):
            out.append([(k * 4000 + r.below(500), 0), (k * 4000 + 9000 + r.below(500), 50000)])
            out.append([(0, k * 4000 + r.below(500)), (50000, k * 4000 + 9000 + r.below(500))])
    elif kind == 2:  # so dense that hot pixels touch
        for _ in range(12):
            out.append([(r.below(120), r.below(120)) for _ in range(2 + r.below(4))])
    else:  # many shared vertices, overlaps, retraced ways
        for _ in range(10):
            out.append([(r.below(6) * 1000, r.below(6) * 1000) for _ in range(2 + r.below(6))])
    return out


def noded(parts):
    geoms = [shapely.LineString(p) for p in parts if len(set(p)) > 1]
    before = None
    for _ in range(20):
        u = shapely.union_all(geoms, grid_size=1.0)
        geoms = list(shapely.get_parts(u))
        segs = set()
        for g in geoms:
            c = [tuple(map(int, q)) for q in np.round(shapely.get_coordinates(g))]
            segs.update(tuple(sorted(s)) for s in zip(c, c[1:]) if s[0] != s[1])
        if segs == before:
            return segs
        before = segs
    raise SystemExit("does not settle")


def fingerprint(segs):
    """FNV-1a (Fowler, Noll & Vo) over the coordinates of the sorted segments, a word at a time."""
    h = 0xCBF29CE484222325
    for v in (v for seg in sorted(segs) for p in seg for v in p):
        h = ((h ^ (v & MASK)) * 0x100000001B3) & MASK
    return f"{h:016x}"


def main():
    sets = []
    for seed in range(1000):
        segs = noded(lines(seed))
        degree = {}
        for a, b in segs:
            degree[a] = degree.get(a, 0) + 1
            degree[b] = degree.get(b, 0) + 1
        histogram = {}
        for d in degree.values():
            histogram[d] = histogram.get(d, 0) + 1
        length = sum(((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2) ** 0.5 for a, b in segs)
        by_degree = {str(k): histogram[k] for k in sorted(histogram)}
        sets.append([len(degree), len(segs), by_degree, round(length, 3), fingerprint(segs)])
    json.dump(
        {
            "made_by": f"make_geos.py, shapely {shapely.__version__}, GEOS {shapely.geos_version_string}, numpy {np.__version__}",
            "fields": ["vertices", "segments", "vertices by degree", "length in steps", "fingerprint"],
            "sets": sets,
        },
        open("geos.json", "w"),
        separators=(",", ":"),
    )


main()
