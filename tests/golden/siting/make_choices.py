"""Optima of spaced choices on invented tracks, by integer programming.

Run: python make_choices.py | sed -n "/^{/,$ p" > choices.json (the solver greets first)
The instances are drawn with SplitMix64 (Steele, Lea & Flood 2014, doi:10.1145/2660193.2660195) in whole
numbers, as src/siting/select/tests/searches.rs draws them again.
"""

import json
import sys
import time

import highspy
import networkx as nx
import numpy as np

WORD = (1 << 64) - 1


class Draw:
    def __init__(self, seed):
        self.state = seed

    def below(self, n):
        self.state = (self.state + 0x9E3779B97F4A7C15) & WORD
        z = self.state
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & WORD
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & WORD
        return (z ^ (z >> 31)) % n


def items(row):
    """Places, weights and costs: points along tracks, every tenth with clusters of two and three."""
    draw = Draw(row["seed"])
    at, weights, costs = [], [], []
    for _ in range(row["tracks"]):
        x, y = draw.below(row["wide"]), draw.below(row["wide"])
        east, north = draw.below(61) - 30, draw.below(61) - 30
        for k in range(row["points"]):
            x += east + draw.below(21) - 10
            y += north + draw.below(21) - 10
            weight = 1000 - row["spread"] // 2 + draw.below(row["spread"])
            sizes = 3 if row["clusters"] and k % 10 == 0 else 1
            for size in range(sizes):
                at.append((x, y))
                weights.append([weight, weight * 3 // 2, weight * 7 // 4][size])
                costs.append(size + 1)
    return draw, at, weights, costs


def pairs(at, apart):
    n = len(at)
    near = lambda a, b: (at[a][0] - at[b][0]) ** 2 + (at[a][1] - at[b][1]) ** 2 < apart * apart
    return [(a, b) for a in range(n) for b in range(a + 1, n) if near(a, b)]


def demands(row, draw, at):
    """Places with a worth, and the items within reach of each."""
    found = []
    for _ in range(row["demands"]):
        x, y = draw.below(row["wide"]), draw.below(row["wide"])
        worth = 1 + draw.below(100)
        reach = row["reach"] ** 2
        found.append((worth, [i for i, (a, b) in enumerate(at) if (a - x) ** 2 + (b - y) ** 2 <= reach]))
    return found


def best(row, whole=True, spaced=True):
    """Number of items and of conflicts, and the optimum; of the relaxation if not whole."""
    draw, at, weights, costs = items(row)
    near = pairs(at, row["apart"])
    n = len(at)
    h = highspy.Highs()
    h.setOptionValue("output_flag", False)
    h.setOptionValue("mip_rel_gap", 0.0)
    h.setOptionValue("mip_abs_gap", 0.5)
    h.setOptionValue("time_limit", 120.0)
    cover = row.get("demands")
    gains = [0] * n if cover else weights
    for gain in gains:
        h.addVar(0.0, 1.0)
        h.changeColCost(h.getNumCol() - 1, float(gain))
        if whole:
            h.changeColIntegrality(h.getNumCol() - 1, highspy.HighsVarType.kInteger)
    graph = nx.Graph()
    graph.add_nodes_from(range(n))
    graph.add_edges_from(near)
    for clique in nx.find_cliques(graph):
        if spaced and len(clique) > 1:
            h.addRow(-highspy.kHighsInf, 1.0, len(clique), np.array(clique, dtype=np.int32), np.ones(len(clique)))
    if row["budget"]:
        h.addRow(-highspy.kHighsInf, float(row["budget"]), n, np.arange(n, dtype=np.int32), np.array(costs, dtype=float))
    if cover:
        for worth, by in demands(row, draw, at):
            if by:
                h.addVar(0.0, 1.0)
                d = h.getNumCol() - 1
                h.changeColCost(d, float(worth))
                index = np.array([d, *by], dtype=np.int32)
                h.addRow(-highspy.kHighsInf, 0.0, len(index), index, np.array([1.0] + [-1.0] * len(by)))
    h.changeObjectiveSense(highspy.ObjSense.kMaximize)
    h.run()
    assert h.getModelStatus() == highspy.HighsModelStatus.kOptimal, (row, h.getModelStatus())
    return n, len(near), h.getInfo().objective_function_value


def rows():
    for seed, wide, tracks, points, apart, spread in [
        (1, 2000, 5, 30, 150, 1), (2, 2000, 10, 50, 130, 40), (3, 2000, 10, 40, 200, 400),
        (4, 700, 12, 20, 90, 1), (5, 700, 16, 20, 120, 100), (6, 800, 20, 20, 80, 300),
        (7, 600, 25, 12, 100, 60), (8, 800, 30, 15, 130, 1000), (9, 1000, 30, 20, 110, 30), (10, 900, 24, 20, 70, 200),
        (11, 900, 25, 16, 120, 1), (12, 700, 20, 15, 90, 1), (13, 700, 20, 18, 100, 500),
    ]:
        yield dict(kind="free", seed=seed, wide=wide, tracks=tracks, points=points, apart=apart, spread=spread,
                   clusters=False, budget=0)
    for seed, wide, tracks, points, apart, spread, budget, clusters in [
        (21, 2000, 4, 30, 120, 1, 7, False), (22, 2000, 6, 40, 100, 200, 40, True), (23, 700, 12, 20, 90, 300, 15, False),
        (24, 700, 16, 20, 120, 100, 20, False), (25, 600, 20, 12, 100, 1200, 12, True), (26, 800, 20, 15, 80, 60, 50, True),
        (27, 800, 25, 12, 110, 800, 33, True), (28, 700, 16, 20, 60, 30, 25, False),
        (29, 700, 22, 14, 100, 1, 30, False), (30, 700, 18, 14, 90, 100, 28, True), (31, 700, 20, 14, 95, 400, 33, False),
    ]:
        yield dict(kind="budget", seed=seed, wide=wide, tracks=tracks, points=points, apart=apart, spread=spread,
                   clusters=clusters, budget=budget)
    for seed, wide, tracks, points, apart, budget, count, reach in [
        (41, 2000, 3, 30, 100, 4, 80, 200), (42, 2000, 4, 30, 150, 6, 150, 250), (43, 1000, 8, 20, 1, 5, 200, 150),
        (44, 1000, 10, 15, 200, 8, 150, 150), (45, 1000, 8, 15, 120, 0, 100, 100), (46, 800, 8, 20, 60, 12, 200, 90),
        (47, 1000, 12, 15, 100, 20, 250, 90), (48, 900, 14, 15, 140, 15, 200, 110), (49, 1000, 12, 15, 150, 0, 200, 80),
        (50, 1000, 10, 20, 1, 18, 300, 70),
    ]:
        yield dict(kind="coverage", seed=seed, wide=wide, tracks=tracks, points=points, apart=apart, spread=1,
                   clusters=False, budget=budget, demands=count, reach=reach)


if __name__ == "__main__":
    told = []
    for row in rows():
        began = time.time()
        row["items"], row["pairs"], total = best(row)
        row["best"] = round(total)
        if row["kind"] == "coverage":
            # The relaxation with every conflict, and with none.
            row["relaxed"] = round(best(row, whole=False)[2], 6)
            row["unspaced"] = round(best(row, whole=False, spaced=False)[2], 6)
        print(row, round(time.time() - began), "s", file=sys.stderr)
        told.append(row)
    version = f"HiGHS {highspy.Highs().version()}, networkx {nx.__version__}"
    lines = ",\n".join("    " + json.dumps(row) for row in told)
    print(f'{{\n  "by": "{version}; make_choices.py",\n  "rows": [\n{lines}\n  ]\n}}')
