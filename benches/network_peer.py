#!/usr/bin/env python3
"""Times GEOS (through shapely) and scipy on the inputs of benches/network.rs.

    python benches/network_peer.py lines LINES.csv     # node, and union on a 1 cm grid
    python benches/network_peer.py distances NET_STEM  # 300 sources on NET_STEM.{v,e}.csv

One thread each, best of up to three runs, peak memory of the process. Versions are printed.
"""
import re, sys, time
import numpy as np


def peak_mb():
    return int(re.search(r"VmHWM:\s+(\d+)", open("/proc/self/status").read()).group(1)) // 1024


def best(what, f, runs=3):
    times = []
    for _ in range(runs):
        t = time.perf_counter()
        f()
        times.append(time.perf_counter() - t)
        if sum(times) > 40:
            break
    print(f"{what}: {min(times):.3f} s, peak {peak_mb()} MB")


if sys.argv[1] == "lines":
    import shapely

    print("shapely", shapely.__version__, "GEOS", shapely.geos_version_string)
    raw = np.loadtxt(sys.argv[2], delimiter=",", skiprows=1)
    lines = shapely.linestrings(raw[:, 1:], indices=raw[:, 0].astype(int))
    multi = shapely.multilinestrings(lines)
    best("node", lambda: shapely.node(multi))
    best("union on a grid of 1 cm", lambda: shapely.union_all(lines, grid_size=0.01), 1)
else:
    import scipy
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import dijkstra

    print("scipy", scipy.__version__)
    v = np.loadtxt(sys.argv[2] + ".v.csv", delimiter=",", skiprows=1)
    e = np.loadtxt(sys.argv[2] + ".e.csv", delimiter=",", skiprows=1, dtype=int)
    w = np.hypot(*(v[e[:, 0]] - v[e[:, 1]]).T)
    a = coo_matrix((w, (e[:, 0], e[:, 1])), shape=(len(v),) * 2).tocsr()
    sources = np.random.default_rng(13).choice(len(v), 300, replace=False)
    best("300 sources", lambda: dijkstra(a, directed=False, indices=sources)[:, sources])
