"""The lines that people made: road, boundary, tracks, fences and gates.

Tracks are cheapest ways over the country: they like ridge tops and creek flats, avoid
steep ground and creek beds, and use a track that is already there. Local metres.
"""

import heapq
from itertools import pairwise

from ground import add_vertex, along, crossings, distance, foot, inside, length, simplified, toward
from terrain import CELL_M, COLUMNS, ROWS

ROAD = [
    (830, 300),
    (890, 1500),
    (850, 2600),
    (985, 3650),
    (1010, 4700),
    (930, 5700),
    (1075, 6600),
    (1050, 7600),
]

# Corners of the property after the road frontage, from its north end round by the east.
CORNERS = [
    (1120, 6900),
    (4300, 7020),
    (9260, 6790),
    (9480, 5350),
    (9010, 4100),
    (8900, 2350),
    (8350, 880),
    (4900, 760),
    (930, 1010),
]

# Each track with the places that it was made to reach, in the order they were made.
# Places are on the square grid of the terrain.
TRACKS = [
    ("Home Track", [(2275, 4800), (1500, 4500), (1080, 4560)]),
    (
        "Valley Track",
        [(2275, 4800), (3300, 4260), (5000, 3720), (6300, 3520), (7550, 3180), (8350, 3650)],
    ),
    ("Top End Track", [(8350, 3650), (8500, 4400), (8950, 5300), (8500, 6350)]),
    ("Long Spur Track", [(4400, 4480), (4900, 4050), (6200, 4350), (7250, 5150)]),
    ("Divide Track", [(7100, 3250), (7100, 3900), (7300, 5200), (7850, 6250), (8000, 6750)]),
    ("North Creek Track", [(4480, 4560), (5150, 5300), (5500, 5760), (6800, 6000), (7750, 6050)]),
    ("Middle Spur Track", [(2850, 4520), (3500, 4950), (4550, 5400), (4850, 6500), (5150, 6850)]),
    ("Two Creeks Track", [(1500, 4500), (1500, 5250), (2250, 5850), (2450, 6500)]),
    ("Back Gully Track", [(2275, 4800), (2900, 5250), (3080, 5950), (2500, 6050)]),
    (
        "South Side Track",
        [(1500, 4500), (1550, 3900), (2450, 3900), (3100, 3300), (4250, 2000), (4500, 1450)],
    ),
    ("Bend Creek Track", [(2450, 3900), (2650, 3000), (3150, 2250), (3700, 2150), (4350, 1450)]),
    (
        "House Ridge Track",
        [
            (1550, 3900),
            (1250, 3500),
            (1400, 2000),
            (2000, 1300),
            (2430, 1150),
            (2400, 2500),
            (2050, 3600),
            (2450, 3900),
        ],
    ),
    (
        "South Boundary Track",
        [(4500, 1450), (4700, 900), (5400, 1300), (5400, 2300), (5420, 3230), (5600, 3480)],
    ),
    ("Saddle Track", [(5400, 1500), (6250, 1100), (6150, 2000), (6550, 2900), (6700, 3150)]),
    ("Forks Track", [(6650, 2850), (7300, 2600), (7850, 1850), (8550, 1350)]),
    ("East Ridge Track", [(8550, 1350), (8500, 2200), (7850, 2650), (7550, 3180)]),
    ("South Gate Track", [(1400, 2000), (960, 2000)]),
]

# Paddock fences; an end close to the boundary is put on it.
FENCES = [
    ("house paddock fence", [(1000, 5060), (2560, 5130), (2690, 4170)]),
    ("north paddock fence", [(3420, 7000), (3380, 5700), (2560, 5130)]),
    ("creek paddock fence", [(960, 3260), (2740, 3330), (4960, 3020)]),
    ("south paddock fence", [(2740, 3330), (2930, 880)]),
    ("bottom fence", [(4960, 3020), (5160, 4700), (3380, 5700)]),
    ("hill fence", [(5160, 4700), (5560, 6990)]),
]

# Tracks whose last end was digitised a little short of the track it meets.
SHORT_BY_M = {"Saddle Track": 3.0, "East Ridge Track": 8.0}


def nearness(lines):
    """Metres from each track place to the nearest of some lines, where under 200."""
    near = {}
    reach = int(200 // CELL_M) + 1
    for line in lines:
        metres = 0.0
        while metres < length(line):
            point = along(line, metres)[0]
            metres += 20.0
            row, column = int(point[1] / CELL_M), int(point[0] / CELL_M)
            for r in range(max(row - reach, 0), min(row + reach + 1, ROWS)):
                for c in range(max(column - reach, 0), min(column + reach + 1, COLUMNS)):
                    d = distance(point, spot((r, c)))
                    if d < near.get((r, c), 200.0):
                        near[r, c] = d
    return near


def spot(node):
    """Local metres of a track place: the corners of the terrain's cells, so that a track
    runs beside a ridge or a creek rather than on it."""
    return (node[1] + 0.5) * CELL_M, (node[0] + 0.5) * CELL_M


class Tracks:
    """The track network as it grows: neighbours of each place, and the named ways."""

    def __init__(self, country, ring):
        self.country = country
        self.held = {
            (r, c): inside(ring, country.bend(spot((r, c))))
            for r in range(ROWS)
            for c in range(COLUMNS)
        }
        self.ridge = nearness(country.ridges)
        self.creek = nearness([line for line, _, _ in country.creeks])
        self.joined = {}
        self.ways = []

    def cost(self, a, b):
        """What a builder pays for one step: length, grade, ground, and no second track
        beside one that is there."""
        step = distance(spot(a), spot(b))
        if b in self.joined.get(a, ()):
            return 0.35 * step
        grade = abs(self.country.height(spot(a)) - self.country.height(spot(b))) / step
        price = step * (1.0 + (grade / 0.11) ** 2)
        if self.creek.get(b, 200.0) < 32.0:
            price *= 3.0
        elif self.creek.get(b, 200.0) < 130.0 or self.ridge.get(b, 200.0) < 110.0:
            price *= 0.6
        else:
            price *= 1.5
        if not self.held[b]:
            price *= 6.0
        beside = any(
            (b[0] + dr, b[1] + dc) in self.joined for dr in (-1, 0, 1) for dc in (-1, 0, 1)
        )
        return price * (2.2 if beside and b not in self.joined else 1.0)

    def way(self, start, goal):
        """Cheapest way between two places (Dijkstra 1959)."""
        paid, came, queue = {start: 0.0}, {}, [(0.0, start)]
        while queue:
            so_far, node = heapq.heappop(queue)
            if node == goal:
                break
            if so_far > paid[node]:
                continue
            for dr in (-1, 0, 1):
                for dc in (-1, 0, 1):
                    other = (node[0] + dr, node[1] + dc)
                    if other == node or not (
                        0 <= other[0] < ROWS - 1 and 0 <= other[1] < COLUMNS - 1
                    ):
                        continue
                    total = so_far + self.cost(node, other)
                    if total < paid.get(other, 1e18):
                        paid[other], came[other] = total, node
                        heapq.heappush(queue, (total, other))
        path = [goal]
        while path[-1] != start:
            path.append(came[path[-1]])
        return path[::-1]

    def nearest(self, point, reach_m):
        """The track place for a point: one already on a track, if within reach."""
        there = min(self.joined, key=lambda n: (distance(spot(n), point), n), default=None)
        if there and distance(spot(there), point) < reach_m:
            return there
        return int(point[1] / CELL_M), int(point[0] / CELL_M)

    def make(self, name, places):
        """Adds a track that starts from the network; where it uses an older track, only
        the new pieces carry its name."""
        nodes = [self.nearest(places[0], 900.0)] + [self.nearest(p, 180.0) for p in places[1:]]
        path = [nodes[0]]
        for a, b in pairwise(nodes):
            for node in self.way(a, b)[1:]:
                if len(path) > 1 and path[-2] == node:
                    path.pop()  # no way into a dead end and back
                else:
                    path.append(node)
        piece = [path[0]]
        for a, b in pairwise(path):
            if b in self.joined.get(a, ()):
                self.ways.append((name, piece))
                piece = [b]
            else:
                self.joined.setdefault(a, []).append(b)
                self.joined.setdefault(b, []).append(a)
                piece.append(b)
        self.ways.append((name, piece))
        self.ways = [(n, w) for n, w in self.ways if len(w) > 1]

    def smoothed(self):
        """Country metres of every place: bends rounded, junctions eased, ends kept."""
        at = {node: self.country.bend(spot(node)) for node in sorted(self.joined)}
        for _ in range(5):
            eased = {}
            for node, p in at.items():
                others = [at[o] for o in self.joined[node]]
                mean = tuple(sum(o[k] for o in others) / len(others) for k in (0, 1))
                eased[node] = toward(p, mean, 0.5) if len(others) > 1 else p
            at = eased
        return at

    def lines(self):
        """The named lines; a vertex where tracks meet is one and the same point."""
        at, out = self.smoothed(), []
        for name, way in self.ways:
            line, start = [at[way[0]]], 0
            for i in range(1, len(way)):
                if i == len(way) - 1 or len(self.joined[way[i]]) != 2:
                    line += simplified([at[n] for n in way[start : i + 1]], 2.0)[1:]
                    start = i
            out.append((name, line))
        return out


def build(country):
    """Road, boundary ring, tracks, fences and gates as named lines in country metres."""
    road = [(float(x), float(y)) for x, y in ROAD]
    frontage = [(x + 42.0, y) for x, y in road if CORNERS[-1][1] < y < CORNERS[0][1]]
    ring = frontage + [(float(x), float(y)) for x, y in CORNERS] + frontage[:1]
    tracks = Tracks(country, ring)
    for name, places in TRACKS:
        tracks.make(name, places)
    lines = tracks.lines()
    for name, line in lines:
        if name in ("Home Track", "South Gate Track"):
            gate = foot(road, line[-1])[0]
            line.append(gate)
            add_vertex(road, gate)
    fences = []
    for name, places in FENCES:
        line = [tuple(map(float, p)) for p in places]
        for end in (0, -1):
            on = foot(ring, line[end])[0]
            if distance(on, line[end]) < 120.0:
                line[end] = on
                add_vertex(ring, on)
        fences.append((name, line))
    fences.append(("boundary fence", boundary_fence(ring, fences)))
    return road, ring, lines, fences, hang_gates(lines, fences)


def boundary_fence(ring, fences):
    """The fenced part of the boundary: from the south corner by the road to the hill
    fence; the forest beyond is open."""
    start = ring.index((4900.0, 760.0))
    turned = ring[start:-1] + ring[:start]
    end = next(line[-1] for name, line in fences if name == "hill fence")
    return turned[: turned.index(end) + 1]


def hang_gates(tracks, fences):
    """A gate wherever a track passes a fence; each becomes a vertex of the fence."""
    gates = []
    for fence, line in fences:
        for track, way in tracks:
            for point in crossings(way, line):
                if all(distance(point, other) > 1.0 for other, _, _ in gates):
                    gates.append((point, fence, track))
    for point, fence, _ in gates:
        add_vertex(next(line for name, line in fences if name == fence), point)
    return gates


def bridged(road, creek):
    """The road in three pieces: before, on and after its bridge over the creek."""
    over = crossings(road, creek)[0]
    before = next(
        i for i, (a, b) in enumerate(pairwise(road)) if distance(foot([a, b], over)[0], over) < 0.01
    )
    first, last = (
        toward(over, end, 15.0 / distance(over, end)) for end in road[before : before + 2]
    )
    return road[: before + 1] + [first], [first, last], [last] + road[before + 1 :]
