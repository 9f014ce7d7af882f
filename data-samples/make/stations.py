"""Stations in the ground, the log of their checks, and the wind."""

import csv
import datetime
import math

from ground import foot

# Station, the place on a track it stands beside, side of the track (1 left, -1 right).
PLACES = [
    ("GS-01", (6500, 4700), 1),
    ("GS-02", (7330, 4500), -1),
    ("GS-03", (7450, 5450), 1),
    ("GS-04", (7850, 6350), -1),
    ("GS-05", (6300, 6010), 1),
    ("GS-06", (5350, 5600), -1),
    ("GS-07", (8580, 4450), 1),
    ("GS-08", (9130, 5400), -1),
    ("GS-09", (6990, 3760), 1),
]
OFFSET_M = 4.0
SET_ON = datetime.date(2024, 6, 3)
LIFTED = ("GS-06", datetime.date(2024, 9, 23))
ROUND_DAYS, ROUNDS = 28, 6

# What was found, by station and round; every other check found the station intact.
FOUND = {
    ("GS-01", 2): ("activated", "dog"),
    ("GS-02", 1): ("activated", "dog"),
    ("GS-02", 4): ("activated", "fox"),
    ("GS-03", 1): ("activated", "dog"),
    ("GS-03", 3): ("bait-taken", ""),
    ("GS-04", 5): ("activated", "dog"),
    ("GS-05", 2): ("activated", "fox"),
    ("GS-05", 4): ("not-checked", ""),
    ("GS-07", 1): ("activated", "dog"),
    ("GS-07", 2): ("activated", "dog"),
    ("GS-07", 6): ("activated", "fox"),
    ("GS-08", 3): ("missing", ""),
    ("GS-08", 5): ("activated", "quoll"),
    ("GS-09", 4): ("damaged", ""),
    ("GS-09", 6): ("activated", "dog"),
}
COLUMNS = (
    "station_id date by found reason animal head_replaced capsules_out capsules_back "
    "serviced lifted note"
).split()


def stations(tracks):
    """Each station 4 m off its track: (point, properties)."""
    for number, (name, place, side) in enumerate(PLACES):
        track, way = min(tracks, key=lambda t: math.dist(foot(t[1], place)[0], place))
        near, segment = foot(way, place)
        a, b = way[segment], way[segment + 1]
        step = math.dist(a, b)
        at = (
            near[0] - side * OFFSET_M * (b[1] - a[1]) / step,
            near[1] + side * OFFSET_M * (b[0] - a[0]) / step,
        )
        set_on = SET_ON + datetime.timedelta(days=number // 4)
        about = {
            "station_id": name,
            "name": f"{track} {number + 1}",
            "state": "set",
            "set_on": set_on.isoformat(),
            "set_by": "AB"[number % 2],
            "batch": "invented lot 1" if number < 5 else "invented lot 2",
        }
        if name == LIFTED[0]:
            about |= {"state": "lifted", "lifted_on": LIFTED[1].isoformat()}
        yield at, about


def check(name, number):
    """One line of the log."""
    date = SET_ON + datetime.timedelta(days=ROUND_DAYS * number + int(name[-1]) // 6)
    found, animal = FOUND.get((name, number), ("intact", ""))
    row = dict.fromkeys(COLUMNS, "")
    row |= {
        "station_id": name,
        "date": date.isoformat(),
        "by": "AB"[number % 2],
        "found": found,
        "animal": animal,
    }
    row |= {
        "head_replaced": "no",
        "capsules_out": 0,
        "capsules_back": 0,
        "serviced": "yes",
        "lifted": "no",
    }
    if found == "activated":
        row |= {"head_replaced": "yes", "capsules_out": 1}
    elif found == "bait-taken":
        row |= {"head_replaced": "yes", "note": "head pulled, capsule whole"}
    elif found == "missing":
        row |= {"head_replaced": "yes", "capsules_out": 1, "note": "capsule not found after search"}
    elif found == "damaged":
        row |= {
            "head_replaced": "yes",
            "capsules_out": 1,
            "capsules_back": 1,
            "reason": "stock",
            "note": "bent by stock",
        }
    elif found == "not-checked":
        row |= {"serviced": "no", "reason": "creek up"}
    elif number % 3 == 0:
        row["head_replaced"] = "yes"
    if name == LIFTED[0] and date >= LIFTED[1]:
        row |= {
            "lifted": "yes",
            "capsules_back": 1,
            "head_replaced": "no",
            "note": "moved out of the creek paddock",
        }
    return row


def check_log(path):
    """Six rounds of four weeks, with the slips that people make."""
    rows = []
    for number in range(1, ROUNDS + 1):
        for name, _, _ in PLACES:
            row = check(name, number)
            if (
                name != LIFTED[0]
                or row["date"] <= LIFTED[1].isoformat()
                or row["lifted"] == "yes"
                and number == 4
            ):
                rows.append(row)
    slips = {row["station_id"] + row["date"]: row for row in rows}
    again = dict(slips["GS-032024-07-29"], note="written twice")  # two checks on one day
    rows.insert(rows.index(slips["GS-032024-07-29"]) + 1, again)
    unknown = dict(slips["GS-042024-08-26"], station_id="GS-14", note="tag hard to read")
    rows.insert(rows.index(slips["GS-042024-08-26"]) + 1, unknown)
    slips["GS-012024-08-26"]["by"] = ""  # nobody signed
    slips["GS-022024-10-21"]["date"] = "2023-10-21"  # last year's date, before it was set
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def wind(rng, path):
    """A month of hourly wind: by day up the valley from the west, by night cold air down
    the valley from the east, calm hours at both ends of the night, and two fronts."""
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write("time,from_deg,speed_m_s\n")
        for hour in range(30 * 24):
            day, clock = divmod(hour, 24)
            if day in (8, 9, 21):
                from_deg, speed = (
                    (320 if day != 9 else 235) + rng.gauss(0, 14),
                    6.5 + rng.gauss(0, 1.6),
                )
            elif 9 <= clock < 18:
                strength = math.sin(math.pi * (clock - 8) / 11)
                from_deg, speed = 275 + rng.gauss(0, 22), 1.2 + 3.4 * strength + rng.gauss(0, 0.9)
            elif clock in (7, 8, 18, 19):
                from_deg, speed = rng.random() * 360, rng.gauss(0.5, 0.5)
            else:
                from_deg, speed = 82 + rng.gauss(0, 18), rng.gauss(1.3, 0.55)
            calm = speed < 0.4
            direction = 0 if calm else (round(from_deg / 5) * 5 - 1) % 360 + 1
            time = datetime.datetime(2024, 9, 1) + datetime.timedelta(hours=hour)
            file.write(f"{time.isoformat()}+10:00,{direction},{0.0 if calm else speed:.1f}\n")
