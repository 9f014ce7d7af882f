// Moving a site along its line. What changes is worked out from data in the page; nothing
// leaves it but the file that the user saves.
const moves = { marker: null, kept: new Map() };

/** The nearest foot to a place on the ways of a line, with distance along and direction. */
function footOn(ways, x, y) {
  let best = null;
  for (const way of ways) {
    let along = 0;
    for (let k = 1; k < way.length; k++) {
      const [[ax, ay], [bx, by]] = [way[k - 1], way[k]];
      const length = Math.hypot(bx - ax, by - ay);
      const t = length ? Math.min(1, Math.max(0, ((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / length ** 2)) : 0;
      const [fx, fy] = [ax + t * (bx - ax), ay + t * (by - ay)];
      const distance = Math.hypot(x - fx, y - fy);
      if (!best || distance < best.distance) best = { x: fx, y: fy, distance, along: along + t * length, way, ux: (bx - ax) / (length || 1), uy: (by - ay) / (length || 1) };
      along += length;
    }
  }
  return best;
}
const gridWay = (flat) => pairs(flat).map(([lat, lon]) => toGrid(lon, lat)).filter(Boolean);
const wayOf = (line) => (line.grid ??= gridWay(line.way));
function waysFor(site) {
  const own = data.lines.filter((l) => l.name === site.line && l.kind === site.kind);
  const pool = (own.length ? own : data.lines.filter((l) => l.kind === site.kind)).map(wayOf);
  const [x, y] = toGrid(...site.foot);
  const ranked = pool.map((way) => [footOn([way], x, y), way]).filter(([foot]) => foot).sort((a, b) => a[0].distance - b[0].distance);
  return ranked.length ? [ranked[0][1]] : [];
}

/** Travel distances from a foot over the noded lines, by Dijkstra's method. */
const roads = { nodes: null };
function roadGraph() {
  if (roads.nodes) return roads;
  roads.nodes = new Map();
  roads.edges = data.edges.filter((e) => ["track", "road"].includes(e.kind)).map((e) => ({ ...e, grid: gridWay(e.way) }));
  for (const edge of roads.edges) {
    for (const [a, b] of [[edge.from, edge.to], [edge.to, edge.from]]) {
      if (!roads.nodes.has(a)) roads.nodes.set(a, []);
      roads.nodes.get(a).push([b, edge.length_m]);
    }
  }
  return roads;
}
function onRoad(x, y) {
  let best = null;
  for (const edge of roadGraph().edges) {
    const foot = footOn([edge.grid], x, y);
    if (foot && (!best || foot.distance < best.foot.distance)) best = { edge, foot };
  }
  return best && best.foot.distance < 30 ? best : null;
}
/** Metres along the lines from a place on them to every node within 20 km. */
function reachFrom(start) {
  const reach = new Map();
  const queue = [[start.foot.along, start.edge.from], [start.edge.length_m - start.foot.along, start.edge.to]];
  while (queue.length) {
    queue.sort((a, b) => b[0] - a[0]);
    const [d, node] = queue.pop();
    if (reach.has(node)) continue;
    reach.set(node, d);
    for (const [next, length] of roads.nodes.get(node) || []) if (!reach.has(next) && d + length < 20000) queue.push([d + length, next]);
  }
  return reach;
}
/** The other sites and the stations in the ground about a site, by straight distance, as far as
 *  they can matter, with their distance along the lines; and the nearest site along the lines. */
function neighbours(k) {
  const own = data.sites[k];
  const [x, y] = toGrid(...own.foot);
  const start = onRoad(x, y);
  const reach = start ? reachFrom(start) : new Map();
  const other = (thing, id, lon, lat, more) => {
    const at = toGrid(lon, lat);
    return at && { id, thing, at, straight_m: Math.hypot(at[0] - x, at[1] - y), ...more };
  };
  const others = data.sites.filter((site) => site !== own)
    .map((site) => other(site, site.id, ...site.foot, { site: true, mate: is(own.cluster) && site.cluster === own.cluster }))
    .concat(data.stations.filter((s) => s.state === "set").map((s) => other(s, `station ${s.id}`, s.lon, s.lat, {})))
    .filter(Boolean).sort((a, b) => a.straight_m - b.straight_m);
  const near = [];
  let nearest = null;
  for (const one of others) {
    // No way along lines is shorter than the straight one.
    if (one.straight_m > Math.max(data.spacing_m || 0, nearest ? nearest.travel_m : Infinity)) break;
    one.travel_m = travelM(start, reach, (one.thing.road ??= onRoad(...one.at)));
    near.push(one);
    if (one.site && Number.isFinite(one.travel_m) && (!nearest || one.travel_m < nearest.travel_m)) nearest = one;
  }
  return { near, nearest };
}
function travelM(start, reach, place) {
  if (!start || !place) return Infinity;
  const round = Math.min((reach.get(place.edge.from) ?? Infinity) + place.foot.along, (reach.get(place.edge.to) ?? Infinity) + place.edge.length_m - place.foot.along);
  return place.edge === start.edge ? Math.min(round, Math.abs(place.foot.along - start.foot.along)) : round;
}
/** What keeps less than the spacing that was asked for; sites of one cluster stand together. */
function tooNear(near) {
  if (!data.spacing_m) return [];
  return near.filter((one) => !one.mate).map((one) => {
    if (one.travel_m < data.spacing_m) return `Moved here: ${metres(one.travel_m)} from ${one.id} along lines, nearer than the spacing of ${metres(data.spacing_m)}.`;
    const least = data.min_straight_m ?? data.spacing_m / 2;
    if (one.straight_m < least) return `Moved here: ${metres(one.straight_m)} from ${one.id} in a straight line, nearer than the ${metres(least)} that were asked for.`;
    return null;
  }).filter(Boolean);
}

const inRing = (ring, x, y) => {
  let inside = false;
  for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
    if ((ring[i][1] > y) !== (ring[j][1] > y) && x < ((ring[j][0] - ring[i][0]) * (y - ring[i][1])) / (ring[j][1] - ring[i][1]) + ring[i][0]) inside = !inside;
  }
  return inside;
};
function keepOutDistance(keepOut, x, y) {
  keepOut.grid ??= { points: gridWay(keepOut.points), ways: keepOut.ways.map(gridWay), rings: keepOut.rings.map(gridWay) };
  if (keepOut.grid.rings.reduce((inside, ring) => inside !== inRing(ring, x, y), false)) return 0;
  const foot = footOn([...keepOut.grid.ways, ...keepOut.grid.rings], x, y);
  return Math.min(foot ? foot.distance : Infinity, ...keepOut.grid.points.map(([px, py]) => Math.hypot(px - x, py - y)));
}
function keepOutsNear(x, y) {
  const near = data.keepOuts.map((k) => ({ ...k, distance_m: keepOutDistance(k, x, y), limit_with_error_m: k.limit_m + data.placement_error_m }));
  return near.sort((a, b) => a.distance_m - a.limit_m - (b.distance_m - b.limit_m));
}

/** The scored candidates on both sides of a foot on its line, with the share of each; one
 *  alone at the end of what was scored. */
function candidatesAround(site) {
  const c = data.candidates;
  let [back, on] = [-1, -1];
  for (let k = 0; k < c.lon.length; k++) {
    if (c.froms[c.from[k]] !== site.from || !is(c.along[k])) continue;
    if (c.along[k] <= site.chainage_m && (back < 0 || c.along[k] > c.along[back])) back = k;
    if (c.along[k] >= site.chainage_m && (on < 0 || c.along[k] < c.along[on])) on = k;
  }
  if (back < 0 && on < 0) return null;
  if (back < 0 || on < 0 || c.along[on] === c.along[back]) return [[back < 0 ? on : back, 1]];
  const share = (site.chainage_m - c.along[back]) / (c.along[on] - c.along[back]);
  return [[back, 1 - share], [on, share]];
}
/** A number between those of the candidates around; null where one has none. */
const between = (around, values) =>
  around.every(([k]) => is(values[k])) ? around.reduce((sum, [k, share]) => sum + share * values[k], 0) : null;

/** Puts a site at the foot nearest to a place, on the side that it has. */
function moveTo(k, lon, lat, side) {
  const site = data.sites[k];
  const at = toGrid(lon, lat);
  const foot = at && footOn(waysFor(site), ...at);
  if (!foot) return;
  site.before ??= { lon: site.lon, lat: site.lat, chainage_m: site.chainage_m };
  site.side = side || site.side;
  const out = site.side === "left" ? [-foot.uy, foot.ux] : [foot.uy, -foot.ux];
  const place = toLonLat(foot.x + site.offset_m * out[0], foot.y + site.offset_m * out[1]);
  site.foot = toLonLat(foot.x, foot.y);
  const ahead = toLonLat(foot.x + foot.ux, foot.y + foot.uy);
  site.bearing_deg = (Math.atan2(worldX(ahead[0]) - worldX(site.foot[0]), worldY(site.foot[1]) - worldY(ahead[1])) / RAD + 360) % 360;
  [site.lon, site.lat, site.chainage_m, site.moved] = [place[0], place[1], foot.along, true];
  site.road = undefined;
  site.turn = (site.bearing_deg + (site.side === "left" ? -90 : 90)) * RAD;
  settle(k);
}
function settle(k) {
  const site = data.sites[k];
  const { near: about, nearest } = neighbours(k);
  site.nearest_site_m = nearest ? nearest.travel_m : null;
  const near = keepOutsNear(...toGrid(site.lon, site.lat));
  site.keep_out = near[0] || null;
  const conflicts = near.filter((n) => n.distance_m < n.limit_with_error_m);
  site.cautions = site.cautions.filter((c) => !c.startsWith("Moved here:"));
  site.cautions.push(...tooNear(about));
  for (const c of conflicts) site.cautions.push(`Moved here: inside the keep-out of ${c.name}: ${metres(c.distance_m)} away, limit ${metres(c.limit_with_error_m)} with the error of placing it.`);
  const around = candidatesAround(site);
  if (around) {
    const far = Math.max(...around.map(([k]) => Math.abs(data.candidates.along[k] - site.chainage_m)));
    for (const part of site.parts) {
      const value = data.candidates.parts[part.name] && between(around, data.candidates.parts[part.name]);
      if (is(value)) Object.assign(part, { value, raw: null, from: `between candidates scored within ${metres(far)}` });
    }
    site.score = between(around, data.candidates.score) ?? site.score;
    site.estimate = `Score and parts lie between those of the candidates scored within ${metres(far)} on this line; run sites again for exact ones.`;
  }
  moves.kept.set(site.id, site);
  siteLayer.move(k, ...site.foot);
  select(k, "move");
  saver();
}

/** A ring that lies about the disc, while what is dragged is the foot. */
function ring(site) {
  const { reach } = peg(true);
  const [x, y] = [reach * Math.sin(site.turn), -reach * Math.cos(site.turn)];
  return L.divIcon({ className: "grip", iconSize: [46, 46], iconAnchor: [23 - x, 23 - y] });
}
/** The handle that is dragged: only the chosen site has one. */
function handle(k) {
  const site = data.sites[k];
  if (!data.toGrid || !data.lines.length) return;
  if (!moves.marker) {
    moves.marker = L.marker([0, 0], { draggable: true, autoPan: true, pane: "markerPane", keyboard: false, icon: ring(site), alt: "Drag to move the site along its line" });
    moves.marker.on("drag", (event) => {
      const foot = footOn(waysFor(data.sites[chosen.site]), ...(toGrid(event.latlng.lng, event.latlng.lat) || [0, 0]));
      if (foot) siteLayer.move(chosen.site, ...toLonLat(foot.x, foot.y));
    });
    moves.marker.on("dragend", () => { const p = moves.marker.getLatLng(); moveTo(chosen.site, p.lng, p.lat); });
    moves.marker.addTo(map);
  }
  moves.marker.setIcon(ring(site));
  moves.marker.setLatLng([site.foot[1], site.foot[0]]);
}

function mover(site) {
  const k = data.sites.indexOf(site);
  if (!data.toGrid || !data.lines.length) return null;
  const step = (by) => () => {
    const ways = waysFor(site);
    const foot = ways.length && footOn(ways, ...toGrid(...site.foot));
    if (foot) { const at = toLonLat(foot.x + by * foot.ux, foot.y + by * foot.uy); moveTo(k, at[0], at[1]); byId(by < 0 ? "step-back" : "step-on").focus(); }
  };
  return el("div", { class: "mover" }, el("h3", {}, "Move it along its line"),
    el("p", { class: "hint" }, site.estimate || "Drag the ring on the map, or step. Spacing, keep-outs and parts follow."),
    el("div", { class: "buttons" },
      el("button", { type: "button", id: "step-back", onclick: step(-20) }, "20 m back"),
      el("button", { type: "button", id: "step-on", onclick: step(20) }, "20 m on"),
      el("button", { type: "button", onclick: () => moveTo(k, site.foot[0], site.foot[1], site.side === "left" ? "right" : "left") }, "Other side"),
      el("button", { type: "button", onclick: () => { moves.kept.set(site.id, site); saver(); say(`${site.id} will be saved as fixed.`); } }, "Keep it here")));
}

/** The sites that were moved or kept, as the plan's fixed sites. */
function keptGeoJson() {
  const features = [...moves.kept.values()].sort((a, b) => a.rank - b.rank).map((site) => ({
    type: "Feature", id: site.id,
    geometry: { type: "Point", coordinates: [Number(site.lon.toFixed(7)), Number(site.lat.toFixed(7))] },
    properties: { site_id: site.id, must: true, moved: Boolean(site.moved), line: site.line, kind: site.kind, chainage_m: Number(site.chainage_m.toFixed(2)), side: site.side, offset_m: site.offset_m },
  }));
  return { type: "FeatureCollection", features };
}
function saver() {
  const box = byId("save");
  box.hidden = moves.kept.size === 0;
  const save = () => {
    const url = URL.createObjectURL(new Blob([`${JSON.stringify(keptGeoJson(), null, 1)}\n`], { type: "application/geo+json" }));
    el("a", { href: url, download: "must.geojson" }).click();
    setTimeout(() => URL.revokeObjectURL(url), 10000);
  };
  box.replaceChildren(el("button", { type: "button", id: "save-must", class: "strong", onclick: save }, `Save ${plural(moves.kept.size, "fixed site", "fixed sites")} (must.geojson)`),
    el("span", { class: "hint" }, "Nothing leaves this page but the file you save."));
}
