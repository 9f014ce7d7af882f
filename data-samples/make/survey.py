"""Two seasons of survey: who searched which way on which day, and the sign they found.

Sign follows a rate per km searched that is written down here, so what an analysis finds
can be held against what was put in:

* dogs and foxes keep to a few places where tracks meet creeks (`SPOTS`);
* the home stretch is driven twice out and back on every outing, at a rate like any
  other, so it collects many records and is hot only on a surface that does not know
  the effort;
* between the seasons stations went into the north-east (`in_control`), and in spring
  the rate of dogs there is a fifth of what it was. Nothing else changes.
"""

import datetime
import heapq
import math
from itertools import pairwise

from ground import along, distance, length, simplified

GATE, DEPOT = (1010.0, 4570.0), (2330.0, 4730.0)

# Circuits by the places they pass; each outing drives the home stretch and one of them.
CIRCUITS = {
    "divide": [
        (4350, 4140),
        (5700, 3560),
        (6300, 3650),
        (7350, 4600),
        (7000, 5100),
        (6800, 5700),
        (5200, 5300),
        (4600, 4330),
        (4350, 4140),
    ],
    "long spur": [
        (4350, 4140),
        (4600, 4330),
        (5200, 4030),
        (7000, 5100),
        (7350, 4600),
        (6300, 3650),
        (5700, 3560),
        (4350, 4140),
    ],
    "top end": [(6500, 3100), (7600, 3150), (8600, 4400), (8650, 6480)],
    "north corner": [(4600, 4330), (5200, 5300), (6800, 5700), (7300, 5150), (8000, 6800)],
    "forks": [
        (5700, 3560),
        (6500, 3100),
        (6650, 2750),
        (8400, 1550),
        (8600, 2200),
        (7600, 3150),
        (6500, 3100),
        (5700, 3560),
    ],
    "south": [
        (4350, 4140),
        (5600, 3400),
        (5500, 1450),
        (4700, 900),
        (4400, 1700),
        (3100, 3200),
        (1600, 4090),
    ],
    "bend creek": [
        (1600, 4090),
        (2550, 3900),
        (3400, 2200),
        (4400, 1700),
        (3200, 3200),
        (1600, 4090),
    ],
    "house ridge": [
        (1500, 3800),
        (1250, 3500),
        (1400, 2200),
        (2050, 1400),
        (2300, 2300),
        (2050, 3600),
        (1600, 4090),
    ],
    "north gullies": [(1550, 5300), (2450, 6000), (2900, 5250), (2330, 4730)],
    "middle spur": [(2950, 4280), (3500, 4950), (4950, 6750)],
}
THERE_AND_BACK = {"top end", "north corner", "middle spur"}
ORDER = [
    "divide",
    "forks",
    "south",
    "top end",
    "long spur",
    "bend creek",
    "north corner",
    "house ridge",
    "divide",
    "north gullies",
    "forks",
    "top end",
    "middle spur",
]

# Hot places: animal, centre, most sign per km searched, spread in metres.
SPOTS = [
    ("dog", (6620, 2790), 4.5, 230.0),
    ("dog", (6990, 5090), 5.0, 260.0),
    ("dog", (8560, 4150), 4.0, 260.0),
    ("dog", (4420, 1660), 3.5, 220.0),
    ("fox", (2500, 6040), 4.0, 240.0),
    ("fox", (5550, 2900), 3.5, 260.0),
    ("fox", (2560, 3880), 2.5, 220.0),
    ("quoll", (8300, 1620), 1.0, 250.0),
    ("goanna", (5500, 1480), 0.8, 250.0),
]
COMMON = {"dog": 0.20, "fox": 0.22, "quoll": 0.004, "goanna": 0.008}
KINDS = {
    "dog": (("scat", 0.55), ("print", 0.80), ("scratching", 0.93), ("sighting", 1.0)),
    "fox": (("scat", 0.60), ("print", 0.90), ("sighting", 1.0)),
    "quoll": (("scat", 0.7), ("print", 1.0)),
    "goanna": (("print", 0.4), ("sighting", 1.0)),
}
SEASONS = [("autumn-2024", datetime.date(2024, 3, 4)), ("spring-2024", datetime.date(2024, 9, 2))]
WEEKS = 12
AFTER_CONTROL = 0.2


def in_control(point):
    """The part where stations stood between the seasons."""
    return point[0] > 6300.0 and point[1] > 3800.0


def rate(animal, point, season):
    """Sign per km searched at a place."""
    value = COMMON[animal]
    if animal == "dog" and point[0] > 5400.0:
        value *= 1.3
    for whose, centre, most, spread in SPOTS:
        if whose == animal:
            value += most * math.exp(-0.5 * (distance(point, centre) / spread) ** 2)
    if animal == "dog" and season.startswith("spring") and in_control(point):
        value *= AFTER_CONTROL
    return value


class Ways:
    """Shortest ways along the tracks, from vertex to vertex."""

    def __init__(self, lines):
        self.next = {}
        for line in lines:
            for a, b in pairwise(line):
                self.next.setdefault(a, []).append(b)
                self.next.setdefault(b, []).append(a)

    def through(self, places):
        """The way through places, each taken to the nearest vertex."""
        stops = [min(self.next, key=lambda v: (distance(v, p), v)) for p in places]
        way = stops[:1]
        for a, b in pairwise(stops):
            way += self.between(a, b)[1:]
        return way

    def between(self, start, goal):
        """Shortest way between two vertices (Dijkstra 1959)."""
        paid, came, queue = {start: 0.0}, {}, [(0.0, start)]
        while queue:
            so_far, at = heapq.heappop(queue)
            if at == goal:
                break
            for other in self.next[at]:
                total = so_far + distance(at, other)
                if total < paid.get(other, 1e18):
                    paid[other], came[other] = total, at
                    heapq.heappush(queue, (total, other))
        way = [goal]
        while way[-1] != start:
            way.append(came[way[-1]])
        return way[::-1]


def as_logged(rng, way):
    """A way as a receiver logs it: an error of about 3 m that drifts along the way, and
    a fix only where the course has changed."""
    fixes, east, north, metres = [], 0.0, 0.0, 0.0
    while metres < length(way):
        x, y = along(way, metres)[0]
        east, north = 0.9 * east + rng.gauss(0.0, 1.1), 0.9 * north + rng.gauss(0.0, 1.1)
        fixes.append((x + east, y + north))
        metres += 12.0
    return simplified(fixes, 3.5)


def found_on(rng, way, passes, season, luck):
    """Sign along a leg: a Poisson process with the rate of each place (by thinning)."""
    for animal in COMMON:
        most = 7.0 if animal in ("dog", "fox") else 1.2
        metres = 0.0
        while True:
            metres += rng.expovariate(most * luck * passes) * 1000.0
            if metres >= length(way):
                break
            point, (dx, dy) = along(way, metres)
            if rng.random() * most < rate(animal, point, season):
                aside = rng.gauss(0.0, 2.5)
                yield animal, (point[0] - dy * aside, point[1] + dx * aside)


def record(rng, animal, point, **more):
    """One record as an observer writes it: kind, count, and the place with its error."""
    draw = rng.random()
    sign = next(kind for kind, upto in KINDS[animal] if draw <= upto)
    accuracy = rng.choice((3, 4, 5, 5, 6, 8, 10))
    at = (point[0] + rng.gauss(0.0, accuracy / 2.0), point[1] + rng.gauss(0.0, accuracy / 2.0))
    count = 1 if sign in ("sighting", "print") else rng.choice((1, 1, 1, 1, 2, 2, 3))
    return at, {"sign": sign, "animal": animal, "count": count, "accuracy_m": accuracy, **more}


def outings(rng):
    """Season, id, day, circuit and observer of every outing: two a week, one at times."""
    turn = 0
    for season, monday in SEASONS:
        number = 0
        for week in range(WEEKS):
            days = [rng.choice((0, 1)), rng.choice((3, 4))]
            if season.startswith("spring") and week in (4, 9):
                days.pop()  # wet
            for day in days:
                number += 1
                date = monday + datetime.timedelta(days=7 * week + day)
                circuit = ORDER[turn % len(ORDER)]
                turn += 1
                yield (
                    season,
                    f"{season[:2]}-{number:02}",
                    date.isoformat(),
                    circuit,
                    "AABC"[rng.randrange(4)],
                )
        turn = 0


def survey(rng, lines):
    """Survey legs and the sign found on them: (line, properties) and (point, properties)."""
    ways = Ways(lines)
    home = ways.through([GATE, DEPOT])
    legs, records = [], []
    for season, outing, date, circuit, observer in outings(rng):
        luck = sum(rng.expovariate(1.0) for _ in range(8)) / 8.0
        places = CIRCUITS[circuit]
        parts = [(home, 4, "vehicle")]
        out = ways.through([DEPOT, places[0]])
        if length(out) > 50.0:
            parts.append(
                (out, 2 if places[0] == places[-1] or circuit in THERE_AND_BACK else 1, "vehicle")
            )
        passes = 2 if circuit in THERE_AND_BACK else 1
        parts.append(
            (ways.through(places), passes, "foot" if circuit == "north gullies" else "vehicle")
        )
        for way, passes, mode in parts:
            common = {"date": date, "survey": outing, "observer": observer, "season": season}
            legs.append((as_logged(rng, way), {"passes": passes, "mode": mode, **common}))
            for animal, point in found_on(rng, way, passes, season, luck):
                records.append(record(rng, animal, point, **common))
    return legs, records


def reports(rng):
    """Records that nobody searched for: stock losses, howls from afar, trail cameras."""
    losses = [(2200, 2900), (3600, 4600), (4300, 3900), (1800, 5700), (4700, 2700), (3100, 5500)]
    for season, monday in SEASONS:
        fewer = season.startswith("spring")
        for _ in range(4 if fewer else 8):
            x, y = rng.choice(losses)
            yield told(
                rng,
                monday,
                season,
                (x + rng.gauss(0, 150), y + rng.gauss(0, 150)),
                "stock-loss",
                "dog",
                "H",
                30,
            )
        for _ in range(2 if fewer else 4):
            at = (rng.gauss(7300, 500), rng.gauss(4700, 500))
            yield told(rng, monday, season, at, "howl", "dog", "H", 350)
        for x, y in ((6990, 5070), (2570, 3860)):
            for _ in range(5):
                dog = x > 5000 and rng.random() < (0.2 if fewer else 0.8)
                yield told(
                    rng, monday, season, (x, y), "camera", "dog" if dog else "fox", "camera", 5
                )


def told(rng, monday, season, at, sign, animal, observer, accuracy):
    """One report on a random day of the season; it belongs to no outing."""
    date = (monday + datetime.timedelta(days=rng.randrange(7 * WEEKS - 2))).isoformat()
    return at, {
        "sign": sign,
        "animal": animal,
        "count": 1,
        "accuracy_m": accuracy,
        "date": date,
        "observer": observer,
        "season": season,
    }
