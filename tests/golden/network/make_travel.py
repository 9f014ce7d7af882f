#!/usr/bin/env python3
"""Writes travel.json: travel distances on the streets of Tempe by networkx.

Reads tempe-lines.geojson (see README.md), projects it to EPSG:32612 with pyproj, rounds to
1 cm, joins equal coordinates, and puts 60 feet on it by line number and share of the line's
length. Distances are networkx.multi_source Dijkstra lengths; null where no way exists.
"""
import json, random
import networkx as nx, numpy, pyproj

doc = json.load(open("tempe-lines.geojson"))
to = pyproj.Transformer.from_crs(4326, 32612, always_xy=True)
ways = []
for f in doc["features"]:
    c = f["geometry"]["coordinates"]
    ways.append([(round(x, 2), round(y, 2)) for x, y in (to.transform(*q[:2]) for q in c)])


def dist(a, b):
    return ((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2) ** 0.5


rng = random.Random(1)
feet = [(rng.randrange(len(ways)), round(rng.random(), 3)) for _ in range(60)]
G = nx.Graph()
for k, w in enumerate(ways):
    total = sum(dist(a, b) for a, b in zip(w, w[1:]))
    marks = sorted((share * total, ("foot", i)) for i, (line, share) in enumerate(feet) if line == k)
    along = 0.0
    for a, b in zip(w, w[1:]):
        d = dist(a, b)
        chain = [(0.0, a)] + [(m - along, n) for m, n in marks if along <= m < along + d] + [(d, b)]
        for (p, u), (q, v) in zip(chain, chain[1:]):
            old = G.get_edge_data(u, v)
            G.add_edge(u, v, weight=min(q - p, old["weight"] if old else 1e99))
        along += d
rows = []
for i in range(len(feet)):
    d = nx.single_source_dijkstra_path_length(G, ("foot", i))
    rows.append([round(d[("foot", j)], 3) if ("foot", j) in d else None for j in range(len(feet))])
json.dump(
    {
        "made_by": f"make_travel.py, networkx {nx.__version__}, pyproj {pyproj.__version__} (PROJ {pyproj.proj_version_str})",
        "feet": feet,
        "metres": rows,
    },
    open("travel.json", "w"),
    separators=(",", ":"),
)
