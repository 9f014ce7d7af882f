#!/usr/bin/env python3
"""Draws docs/images/effort.png: activity as a plain surface beside sign per km searched.

    stakeline surface data-samples/plan.toml --along-lines --out RESULTS
    python3 docs/images/effort.py RESULTS effort.svg
    chromium --headless --window-size=1244,683 --screenshot=docs/images/effort.png effort.svg

Reads only what the step wrote: hot-areas.geojson, activity-lines.geojson and
activity-lines.json. Standard library; made with Python 3.11.
"""

import json
import math
import sys

PANEL, GAP, EDGE, TOP, FOOT = 584, 48, 14, 84, 84
HOT = {50: "#d9480f", 75: "#f59f5a", 95: "#fde3c8"}
# Sequential and legible without colour: light is little, dark is much.
STEPS = [(0.25, "#cfe3f1"), (0.5, "#9ecae1"), (1.0, "#4a98c9"), (2.0, "#1764ab"), (math.inf, "#08306b")]


def load(folder, name):
    with open(f"{folder}/{name}", encoding="utf-8") as file:
        return json.load(file)


def main(folder, out):
    pieces = load(folder, "activity-lines.geojson")["features"]
    hot = sorted(load(folder, "hot-areas.geojson")["features"], key=lambda f: -f["properties"]["mass_percent"])
    mean = load(folder, "activity-lines.json")["survey"]["rate_per_km_searched"]
    points = [p for f in pieces for p in f["geometry"]["coordinates"]]
    west, east = min(p[0] for p in points), max(p[0] for p in points)
    south, north = min(p[1] for p in points), max(p[1] for p in points)
    squeeze = math.cos(math.radians((south + north) / 2))
    scale = PANEL / ((east - west) * squeeze)
    tall = round((north - south) * scale)
    start = [EDGE, EDGE + PANEL + GAP]

    def at(point, panel):
        x = start[panel] + (point[0] - west) * squeeze * scale
        return f"{x:.1f},{TOP + (north - point[1]) * scale:.1f}"

    def line(piece, panel, colour, width, more=""):
        way = " ".join(at(p, panel) for p in piece["geometry"]["coordinates"])
        return f'<polyline points="{way}" fill="none" stroke="{colour}" stroke-width="{width}" {more}/>'

    def text(x, y, words, size=15, more=""):
        return f'<text x="{x}" y="{y}" font-size="{size}" {more}>{words}</text>'

    width, height = 2 * (EDGE + PANEL) + GAP, TOP + tall + FOOT
    svg = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" font-family="sans-serif">',
        f'<rect width="{width}" height="{height}" fill="white"/>',
        f'<clipPath id="left"><rect x="0" y="{TOP - 8}" width="{PANEL + 2 * EDGE}" height="{tall + 16}"/></clipPath>',
        text(start[0], 30, "Plain surface: sign per km²", 21, 'font-weight="bold"'),
        text(start[1], 30, "Along lines: sign per km searched", 21, 'font-weight="bold"'),
        text(start[0], 54, "It shows where people drive as much as where animals are."),
        text(start[1], 54, f"What was found by what was looked at; the mean is {mean:.2f}."),
        '<g clip-path="url(#left)">',
    ]
    for area in hot:
        rings = (ring for polygon in area["geometry"]["coordinates"] for ring in polygon)
        way = " ".join("M" + " L".join(at(p, 0) for p in ring) + "Z" for ring in rings)
        svg.append(f'<path d="{way}" fill="{HOT[area["properties"]["mass_percent"]]}" fill-rule="evenodd"/>')
    svg.append("</g>")
    svg += [line(piece, 0, "#555", 1) for piece in pieces]
    for piece in pieces:
        rate = piece["properties"]["shrunken_rate"]
        if rate is None:
            svg.append(line(piece, 1, "#aaa", 1, 'stroke-dasharray="3 3"'))
        else:
            svg.append(line(piece, 1, next(c for most, c in STEPS if rate <= most), 5, 'stroke-linecap="round"'))

    driven = max(pieces, key=lambda f: f["properties"]["density_per_km"])
    known = driven["properties"]
    times = known["searched_km"] / (known["length_m"] / 1000)
    middle = driven["geometry"]["coordinates"][len(driven["geometry"]["coordinates"]) // 2]
    said = [
        [f'{known["density_per_km"]:.0f} signs per km of line,', "the most of all"],
        [f"searched {times:.0f} times:", f'{known["shrunken_rate"]:.2f} per km searched'],
    ]
    for panel in (0, 1):
        x, y = map(float, at(middle, panel).split(","))
        svg.append(f'<circle cx="{x}" cy="{y}" r="26" fill="none" stroke="black" stroke-width="2.5"/>')
        svg.append(f'<path d="M{x + 8} {y - 25}L{x + 34} {TOP + 56}" stroke="black" stroke-width="1.5"/>')
        for row, words in enumerate(said[panel]):
            svg.append(text(x + 10, TOP + 28 + 20 * row, words, 16, 'font-weight="bold"'))

    foot = TOP + tall + 36
    for number, (percent, colour) in enumerate(HOT.items()):
        x = start[0] + number * 190
        svg.append(f'<rect x="{x}" y="{foot - 14}" width="22" height="16" fill="{colour}" stroke="#555"/>')
        svg.append(text(x + 30, foot, f"{percent} % of the activity"))
    last = 0.0
    for number, (most, colour) in enumerate(STEPS):
        x = start[1] + number * 106
        words = f"over {last:g}" if most == math.inf else f"to {most:g}"
        svg.append(f'<rect x="{x}" y="{foot - 12}" width="30" height="8" fill="{colour}"/>' + text(x + 36, foot, words))
        last = most
    svg.append(f'<path d="M{start[1]} {foot + 20}h30" stroke="#aaa" stroke-dasharray="3 3"/>')
    svg.append(text(start[1] + 36, foot + 26, "nobody searched: no rate, which is not a rate of zero"))
    svg.append("</svg>")
    with open(out, "w", encoding="utf-8") as file:
        file.write("\n".join(svg))


if __name__ == "__main__":
    main(*sys.argv[1:3])
