// Points: sign, nodes, candidates, stations, sites, the tour; and the panel of switches.

const signChoice = { sign: new Set(), animal: new Set(), season: new Set() };
const signShown = (k) => {
  const r = data.records;
  return !signChoice.sign.has(r.sign[k]) && !signChoice.animal.has(r.animal[k]) && !signChoice.season.has(r.season[k]);
};
let signLayer = null;
function recordLayers() {
  const r = data.records;
  if (!r.lon.length) return;
  const marks = r.signs.map((sign) => r.animals.map((animal) => signStamp(sign, animal)));
  signLayer = spots("sign", r.lon, r.lat, {
    thin: r.lon.length > 20000 ? 8 : r.lon.length > 4000 ? 5 : narrow.matches ? 6 : 0,
    shown: signShown,
    paint: (context, x, y, k) => press(context, marks[r.sign[k]][r.animal[k]], x, y),
  });
  offer("Sign", `All sign (${r.lon.length.toLocaleString("en")})`, stampMark(signStamp("scat", "dog")), [signLayer], r.lon.length <= 4000);
  const facets = [["sign", r.signs, (k) => stampMark(signStamp(r.signs[k], "dog"))], ["animal", r.animals, (k) => stampMark(signStamp("scat", r.animals[k]))], ["season", r.seasons, () => null]];
  for (const [facet, names, mark] of facets) {
    const counts = names.map(() => 0);
    for (const k of r[facet]) counts[k] += 1;
    if (names.length < 2 && facet === "season") continue;
    names.forEach((name, k) => {
      if (counts[k]) offer("Sign", `${name} (${counts[k].toLocaleString("en")})`, mark(k), [], true, { facet, k });
    });
  }
}

let nodeLayer = null, stationLayer = null, siteLayer = null, candidateLayer = null, stopLayer = null;
const column = (items, name) => items.map((item) => item[name]);
function pointLayers() {
  const { nodes, stations, sites, candidates, tour } = data;
  if (nodes.length) {
    nodeLayer = spots("node", column(nodes, "lon"), column(nodes, "lat"), {
      thin: 5, paint: (context, x, y, k) => press(context, NODE_STAMPS[nodes[k].kind] || NODE_STAMPS.join, x, y),
    });
    offer("Network", `Nodes (${nodes.length.toLocaleString("en")})`, stampMark(NODE_STAMPS.junction), [nodeLayer], false);
    const meeting = nodes.filter((n) => n.convergence > 0);
    if (meeting.length) {
      const ring = (context, x, y, k) => {
        context.beginPath();
        context.arc(x, y, 4 + 14 * Math.sqrt(meeting[k].convergence), 0, 7);
        context.strokeStyle = "rgba(255,253,247,.9)"; context.lineWidth = 4; context.stroke();
        context.strokeStyle = "#5b2a86"; context.lineWidth = 2.2; context.stroke();
      };
      offer("Network", "Where lines converge", markOf((c) => { c.beginPath(); c.arc(0, 0, 7, 0, 7); c.strokeStyle = "#5b2a86"; c.lineWidth = 2.2; c.stroke(); }),
        [spots("node", column(meeting, "lon"), column(meeting, "lat"), { paint: ring, thin: 5 })], false, "the wider the ring, the more ways and sign meet");
    }
  }
  for (const [closed, name, colour] of [[true, "Gaps that were closed", "#2d6a4f"], [false, "Gaps left open", "#a3182c"]]) {
    const gaps = data.misses.filter((m) => m.closed === closed);
    const ring = (context, x, y) => { context.beginPath(); context.arc(x, y, 7, 0, 7); context.strokeStyle = colour; context.lineWidth = 2; context.setLineDash([3, 2]); context.stroke(); context.setLineDash([]); };
    if (gaps.length) offer("Network", `${name} (${gaps.length})`, markOf((c) => ring(c, 0, 0)), [spots("node", gaps.map((m) => m.way[0]), gaps.map((m) => m.way[1]), { paint: ring })], false);
  }
  if (candidates.lon.length) {
    candidateLayer = spots("candidate", candidates.lon, candidates.lat, { thin: 3, paint(context, x, y, k) {
      context.beginPath();
      context.arc(x, y, 3.2, 0, 7);
      context.fillStyle = `hsl(199 45% ${92 - 62 * candidates.score[k]}%)`;
      context.fill();
      context.lineWidth = 0.9; context.strokeStyle = "#34505e"; context.stroke();
    } });
    offer("Siting", `Candidates (${candidates.lon.length.toLocaleString("en")})`, markOf((c) => { c.beginPath(); c.arc(0, 0, 4, 0, 7); c.fillStyle = "hsl(199 45% 60%)"; c.fill(); c.strokeStyle = "#34505e"; c.stroke(); }),
      [candidateLayer], false, "the darker, the higher the score");
  }
  if (tour.legs.length || tour.stops.length) tourLayers(tour);
  if (data.checks.length) checkLayers(data.checks);
  if (stations.length) {
    stationLayer = spots("station", column(stations, "lon"), column(stations, "lat"), {
      thin: stations.length > 500 ? 6 : 0, paint: (context, x, y, k) => press(context, stationStamp(stations[k]), x, y),
    });
    const words = { set: "in the ground", lifted: "lifted", proposed: "proposed" };
    const states = [...new Set(column(stations, "state"))];
    offer("Siting", `Stations (${stations.length})`, stampMark(STATION_STAMPS[states[0]] || STATION_STAMPS.set), [stationLayer], true,
      `filled: in the ground; hollow: ${words.lifted}; red with a letter: L to lift, S to search, M to move, X not to be set`);
  }
  if (sites.length) {
    siteLayer = spots("site", sites.map((s) => s.foot[0]), sites.map((s) => s.foot[1]), { thin: sites.length > 1000 ? 6 : 0, paint(context, x, y, k, view) {
      const site = sites[k];
      paintPeg(context, x, y, { turn: site.turn, text: String(site.rank), chosen: k === chosen.site, ringed: is(site.cluster), small: view.count > 350 && k !== chosen.site });
    } });
    offer("Siting", `Proposed sites (${sites.length})`, markOf((c) => { c.scale(0.6, 0.6); paintPeg(c, 0, 14, { turn: 0, text: "1" }); }), [siteLayer], true,
      "the disc stands on the site's side of the line and holds its rank; a double rim is a cluster");
  }
}

/** What the check log says: a column the higher the rate, and a flag where somebody must go. */
function checkLayers(checks) {
  const rated = checks.filter((c) => is(c.rate));
  const most = Math.max(...column(rated, "rate"), 1e-9);
  const bar = (context, x, y, share) => {
    const high = 4 + 26 * share;
    context.fillStyle = PAPER; context.fillRect(x - 15, y + 7 - high, 8, high + 2);
    context.fillStyle = "#5b2a86"; context.fillRect(x - 14, y + 8 - high, 6, high);
  };
  if (rated.length) {
    offer("Check round", "Activations per 100 station-nights", markOf((c) => bar(c, 11, 2, 0.3)),
      [spots("rate", column(rated, "lon"), column(rated, "lat"), { paint: (context, x, y, k) => bar(context, x, y, rated[k].rate / most) })],
      false, `the highest column is ${short(most)}`);
  }
  const pressing = checks.filter((c) => ["review", "open-item", "overdue"].includes(c.urgency));
  const flag = (context, x, y) => {
    context.beginPath();
    context.moveTo(x + 8, y + 6); context.lineTo(x + 8, y - 14); context.lineTo(x + 20, y - 9); context.lineTo(x + 8, y - 4);
    context.lineWidth = 4.5; context.strokeStyle = PAPER; context.stroke();
    context.fillStyle = "#a3182c"; context.fill();
    context.lineWidth = 1.8; context.strokeStyle = "#a3182c"; context.stroke();
  };
  if (pressing.length) {
    offer("Check round", `Overdue, to review or with a capsule missing (${pressing.length})`, markOf((c) => flag(c, -12, 4)),
      [spots("due", column(pressing, "lon"), column(pressing, "lat"), { paint: flag })], true);
  }
}

function tourLayers(tour) {
  const days = [...new Set([...column(tour.legs, "day"), ...column(tour.stops, "day")])].sort((a, b) => (a ?? 1e9) - (b ?? 1e9));
  for (const day of days) {
    const ways = tour.legs.filter((leg) => leg.day === day).map((leg) => pairs(leg.way));
    const stops = tour.stops.filter((stop) => stop.day === day);
    const line = (color, weight, dashArray) => L.polyline(ways, { renderer: tourCanvas, color, weight, dashArray, interactive: false, opacity: 0.95 });
    const label = (context, x, y, k) => {
      if (!is(stops[k].order)) return;
      context.font = "600 10px system-ui, sans-serif";
      context.textAlign = "center"; context.textBaseline = "middle"; context.lineWidth = 3.5; context.lineJoin = "round";
      context.strokeStyle = PAPER; context.strokeText(stops[k].order, x - 12, y + 9);
      context.fillStyle = dayColour(day); context.fillText(stops[k].order, x - 12, y + 9);
    };
    const dash = is(day) && day % 2 === 0 ? "10 5" : null;
    offer("Check round", is(day) ? `Day ${day} (${plural(stops.length, "stop", "stops")})` : "Not reached by lines", strokeMark([[PAPER, 6], [dayColour(day), 3, dash]]),
      [ways.length ? line(PAPER, 7) : null, ways.length ? line(dayColour(day), 3.5, dash) : null, spots("station", column(stops, "lon"), column(stops, "lat"), { paint: label })], false);
  }
}

/** Draws the panel of switches and puts on the map what is on. */
function switches() {
  for (const group of groups) {
    const box = el("fieldset", {}, el("legend", {}, group.name));
    if (group.rows.filter((row) => row.note && row.note.overlay).length > 1) box.append(el("p", { class: "hint" }, "Of several surfaces the one chosen last is drawn; two seasons lie side by side under a slider."));
    for (const row of group.rows) box.append(switchRow(row));
    byId("layers").append(box);
  }
}
function switchRow(row) {
  const input = el("input", { type: "checkbox", checked: row.on, onchange: () => turn(row, input.checked) });
  const picture = row.note && row.note.legend ? row.note : null;
  row.input = input;
  if (row.on) turn(row, true);
  const parts = [el("label", { class: "switch" }, input, row.mark || (picture ? null : el("span", { class: "mark" })), el("span", {}, row.name))];
  if (typeof row.note === "string") parts.push(el("p", { class: "hint" }, row.note));
  if (picture) parts.push(ramp(picture));
  return el("div", { class: "row" }, parts);
}
/** Of the surfaces that are on, the one chosen last is drawn, or both seasons under the slider. */
const surfaces = [];
function layOut(picture, on) {
  const place = surfaces.indexOf(picture);
  if (place >= 0) surfaces.splice(place, 1);
  if (on) surfaces.push(picture);
  const top = surfaces[surfaces.length - 1];
  const ofSeason = (p) => p.id === "before" || p.id === "after";
  for (const p of surfaces) p.overlay.setOpacity(p === top || (ofSeason(p) && ofSeason(top)) ? 0.9 : 0);
}
function turn(row, on) {
  if (row.note && row.note.facet) {
    signChoice[row.note.facet][on ? "delete" : "add"](row.note.k);
    signLayer.redraw();
  }
  for (const layer of row.layers) if (on) map.addLayer(layer); else map.removeLayer(layer);
  if (row.note && row.note.overlay) layOut(row.note, on);
  if (!on || !row.layers.some((layer) => layer.bringToFront)) return;
  // What came back lies on top now; put all in the order of the panel again.
  for (const { layers } of groups.flatMap((group) => group.rows)) {
    for (const layer of layers) if (layer.bringToFront && map.hasLayer(layer)) layer.bringToFront();
  }
}
function ramp(picture) {
  const bands = picture.legend.filter((band) => band.colour[3] > 0);
  const edges = picture.legend.map((band) => band.from).filter(is);
  const times = (v) => (v < 0 ? `÷ ${short(Math.exp(-v))}` : `× ${short(Math.exp(v))}`);
  const ends = edges[0] < 0
    ? [times(edges[0]), "as much", times(edges[edges.length - 1])]
    : [edges[0], edges[Math.floor(edges.length / 2)], edges[edges.length - 1]].map(short);
  return el("div", { class: "ramp" },
    el("div", { class: "ramp-bands" }, bands.map((band) => {
      const chip = el("span", {});
      chip.style.background = `rgba(${band.colour.slice(0, 3)},${band.colour[3] / 255})`;
      return chip;
    })),
    el("div", { class: "ramp-ends" }, ends.map((text) => el("span", {}, text))),
    el("p", { class: "hint" }, picture.unit),
    picture.more ? el("p", { class: "hint" }, picture.more) : null,
    picture.id === "change" && picture.png && data.claim ? el("p", { class: "hint" }, data.claim) : null);
}
