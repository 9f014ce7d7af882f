// Everything the map can show, each with its switch; the switches are the legend.
const map = L.map("map", {
  attributionControl: false, zoomControl: false, zoomSnap: 0.5, maxZoom: 21, minZoom: 4,
  preferCanvas: true, wheelPxPerZoomLevel: 90,
});
L.control.zoom({ position: "topleft" }).addTo(map);
L.control.scale({ position: "bottomleft", imperial: false, maxWidth: 160 }).addTo(map);

const PANES = ["grid", "picture", "after", "hot", "keepout", "change", "along", "line", "tour", "candidate", "sign", "node", "name", "station", "rate", "due", "site"];
PANES.forEach((name, k) => {
  map.createPane(name).style.zIndex = 210 + 10 * k;
  if (!["hot", "keepout", "change"].includes(name)) map.getPane(name).style.pointerEvents = "none";
});
const lineCanvas = L.canvas({ pane: "line", padding: 0.3 });
const alongCanvas = L.canvas({ pane: "along", padding: 0.3 });
const tourCanvas = L.canvas({ pane: "tour", padding: 0.3 });
const shapeSvg = Object.fromEntries(["hot", "keepout", "change"].map((pane) => [pane, L.svg({ pane, padding: 0.5 })]));

const [west, south, east, north] = data.span;
const whole = L.latLngBounds([south, west], [north, east]);
map.fitBounds(whole, { padding: [24, 24] });
map.setMaxBounds(whole.pad(1.5));
/** Shows the whole place in the part of the map that no sheet covers. */
const fitAll = () => {
  const covered = narrow.matches ? byId("ledger").offsetHeight : 0;
  map.fitBounds(whole, { paddingTopLeft: [16, 16], paddingBottomRight: [16, 16 + covered], animate: false });
};

const groups = [];
/** Adds a switch. `mark` is the symbol beside it; `layers` go on and off together. */
function offer(group, name, mark, layers, on, note) {
  let entry = groups.find((g) => g.name === group);
  if (!entry) groups.push((entry = { name: group, rows: [] }));
  entry.rows.push({ name, mark, layers: layers.filter(Boolean), on, note });
}
const markOf = (draw) => {
  const canvas = el("canvas", { class: "mark", width: 56, height: 40, "aria-hidden": "true" });
  const context = canvas.getContext("2d");
  context.scale(2, 2);
  context.translate(14, 10);
  draw(context);
  return canvas;
};
const stampMark = (mark) => markOf((c) => press(c, mark, 0, 0));
const strokeMark = (steps) => markOf((c) => {
  for (const [colour, width, dash] of steps) {
    c.beginPath();
    c.moveTo(-13, 3); c.bezierCurveTo(-5, -7, 3, 8, 13, -3);
    c.strokeStyle = colour; c.lineWidth = width; c.setLineDash(dash ? dash.split(" ").map(Number) : []);
    c.lineCap = "round";
    c.stroke();
  }
});
const polygons = (parts) => parts.map((rings) => rings.map(pairs));
const zone = (pane, parts, style) =>
  L.polygon(polygons(parts), { pane, renderer: shapeSvg[pane], interactive: false, ...style });

function lineSteps(style) {
  if (style.core) return [[style.colour, style.weight], [style.core, style.weight - 2]];
  const own = [style.colour, style.weight, style.dash];
  return style.casing ? [[PAPER, style.weight + 2.4], own] : [own];
}
function lineLayers() {
  for (const [kind, style] of Object.entries(LINES)) {
    const ways = data.lines.filter((line) => line.kind === kind).map((line) => pairs(line.way));
    if (!ways.length) continue;
    const layers = lineSteps(style).map(([color, weight, dashArray]) =>
      L.polyline(ways, { renderer: lineCanvas, color, weight, dashArray, interactive: false, lineCap: "round" }));
    offer("Lines", style.name, strokeMark(lineSteps(style)), layers, true);
  }
}

/** Names of lines, one each, at the middle of the longest way, where there is room. */
let nameOverlay = null;
function nameLayer() {
  const longest = new Map();
  for (const line of data.lines) {
    if (!line.name || !["track", "road", "creek"].includes(line.kind)) continue;
    const seen = longest.get(line.name);
    if (!seen || seen.way.length < line.way.length) longest.set(line.name, line);
  }
  if (!longest.size) return;
  const named = [...longest.values()].map((line) => {
    const k = 2 * Math.floor(line.way.length / 4);
    return { line, at: line.way.slice(k, k + 2), next: line.way.slice(Math.max(0, k - 2), Math.max(0, k - 2) + 2) };
  });
  const layer = spots("name", named.map((n) => n.at[0]), named.map((n) => n.at[1]), {
    thin: 70,
    shown: (k) => map.getZoom() >= (named[k].line.kind === "creek" ? 14 : narrow.matches ? 13 : 12),
    paint(context, x, y, k) {
      const { line, at, next } = named[k];
      let turn = Math.atan2(worldY(at[1]) - worldY(next[1]), worldX(at[0]) - worldX(next[0]));
      if (Math.abs(turn) > Math.PI / 2) turn += Math.PI;
      context.save();
      context.translate(x, y);
      context.rotate(turn);
      context.font = `${line.kind === "creek" ? "italic " : ""}${sun.on ? "700 13.5px" : "600 11px"} system-ui, sans-serif`;
      context.textAlign = "center";
      context.lineJoin = "round";
      context.lineWidth = 3.5;
      context.strokeStyle = "rgba(255,253,247,.92)";
      context.strokeText(line.name, 0, -8);
      context.fillStyle = sun.on ? "#000" : line.kind === "creek" ? "#1d5f88" : "#3d2c1b";
      context.fillText(line.name, 0, -8);
      context.restore();
    },
  });
  nameOverlay = layer;
  offer("Lines", "Names", markOf((c) => { c.font = "600 11px system-ui"; c.textAlign = "center"; c.fillStyle = INK; c.fillText("Abc", 0, 4); }), [layer], true);
}

/** Pieces of line in the colours of their bands, as a broad ribbon under the lines. */
function alongLayers(along) {
  const ribbon = (ways, color, weight, more) =>
    ways.length ? L.polyline(ways.map(pairs), { renderer: alongCanvas, color, weight, interactive: false, lineCap: "butt", ...more }) : null;
  const layers = along.bands.map((ways, k) => {
    const [r, g, b, a] = along.legend[k].colour;
    return a ? ribbon(ways, `rgb(${r},${g},${b})`, 13, { opacity: 0.95 }) : null;
  });
  const unknown = ribbon(along.unknown, "#6c7278", 9, { opacity: 0.9, dashArray: "2 5" });
  const said = unknown ? `dotted: ${along.id === "change" ? "not searched in both seasons" : "nobody searched"}, nothing known` : "";
  offer("Activity", along.name, null, [...layers, unknown], !data.pictures.length, { ...along, more: said });
  for (const [direction, colour, name] of [["increase", MORE, "More sign than before, along lines"], ["decrease", LESS, "Less sign than before, along lines"]]) {
    if (!along[direction] || !along[direction].length) continue;
    offer("Activity", name, strokeMark([[colour, 9], [PAPER, 5]]), [ribbon(along[direction], colour, 15), ribbon(along[direction], PAPER, 9)], true, CLAIMED);
  }
}

function hatch(id, colour, turn, gap) {
  return svg("pattern", { id, width: gap, height: gap, patternUnits: "userSpaceOnUse", patternTransform: `rotate(${turn})` },
    svg("rect", { width: gap, height: gap, fill: colour, "fill-opacity": 0.1 }),
    svg("line", { x1: 0, y1: 0, x2: 0, y2: gap, stroke: colour, "stroke-width": 1.6 }));
}
document.body.append(svg("svg", { width: 0, height: 0, class: "patterns", "aria-hidden": "true" }, svg("defs", {},
  hatch("hatch-keep-out", "#5c1d2e", 45, 8), hatch("hatch-more", MORE, 90, 7), hatch("hatch-less", LESS, 0, 7))));
const hatchMark = (colour, slope) => markOf((c) => {
  c.strokeStyle = colour;
  c.strokeRect(-12, -7, 24, 14);
  c.save(); c.beginPath(); c.rect(-12, -7, 24, 14); c.clip(); c.beginPath();
  for (let k = -24; k <= 24; k += 5) { c.moveTo(k - 8 * slope, 8); c.lineTo(k + 8 * slope, -8); }
  c.stroke(); c.restore();
});

function placeLayers() {
  if (data.area.length) {
    offer("Place", "Land under control", markOf((c) => { c.strokeStyle = "#2f5d3a"; c.lineWidth = 3; c.strokeRect(-12, -7, 24, 14); }),
      [zone("keepout", data.area, { color: "#2f5d3a", weight: 3.5, fill: false, opacity: 0.75 })], true);
  }
  if (data.keepOuts.length) {
    const zones = data.keepOuts.map((k) => zone("keepout", k.zone, { color: "#5c1d2e", weight: 1.4, fillColor: "url(#hatch-keep-out)", fillOpacity: 1 }));
    offer("Place", "Keep-outs at their distance", hatchMark("#5c1d2e", 1), zones, true,
      "distances are those of the plan; check them against permit and label");
  }
  offer("Place", "Grid", strokeMark([["#9aa7b0", 1]]), [gridLayer], true);
}

function pictureLayers() {
  for (const picture of data.pictures) {
    const [w, s, e, n] = picture.span;
    const pane = picture.id === "after" ? "after" : "picture";
    const overlay = L.imageOverlay(picture.png, [[s, w], [n, e]], { pane, alt: picture.name, opacity: 0.9 });
    picture.overlay = overlay;
    offer("Activity", picture.name, null, [overlay], picture.id === "activity", picture);
  }
  for (const hot of data.hot) {
    const style = { color: "#5e161c", weight: 2.2, fill: false, dashArray: { 50: null, 75: "8 4", 95: "2 5" }[hot.percent] };
    offer("Activity", `Holds ${hot.percent} % of it (${Math.round(hot.ha)} ha)`, strokeMark([[style.color, 2.2, style.dashArray]]),
      [zone("hot", hot.polygons, style)], false);
  }
  for (const along of data.along) alongLayers(along);
  for (const [direction, colour, name, slope] of [["increase", MORE, "More sign than before", 0], ["decrease", LESS, "Less sign than before", 1]]) {
    const areas = data.changes.filter((c) => c.direction === direction);
    if (!areas.length) continue;
    const layers = areas.map((c) => zone("change", c.polygons, { color: colour, weight: 2.5, fillColor: `url(#hatch-${direction === "increase" ? "more" : "less"})`, fillOpacity: 0.8 }));
    offer("Activity", name, hatchMark(colour, slope), layers, true, CLAIMED);
  }
}
