// The pictures of two seasons side by side under one slider, and the start of it all.
function swiping() {
  const [before, after] = ["before", "after"].map((id) => data.pictures.find((p) => p.id === id));
  if (!before || !after) return;
  const [box, slider] = [byId("swipe"), byId("swipe-at")];
  byId("swipe-left").textContent = before.name;
  byId("swipe-right").textContent = after.name;
  const cut = () => {
    const size = map.getSize();
    const [nw, se] = [map.containerPointToLayerPoint([0, 0]), map.containerPointToLayerPoint(size)];
    const x = nw.x + (size.x * slider.value) / 100;
    map.getPane("after").style.clip = `rect(${nw.y}px, ${se.x}px, ${se.y}px, ${x}px)`;
    map.getPane("picture").style.clip = both() ? `rect(${nw.y}px, ${x}px, ${se.y}px, ${nw.x}px)` : "auto";
    if (!both()) map.getPane("after").style.clip = "auto";
    box.hidden = !both();
  };
  const both = () => map.hasLayer(before.overlay) && map.hasLayer(after.overlay);
  slider.addEventListener("input", cut);
  map.on("move zoom resize layeradd layerremove", cut);
  cut();
}

function popup(latlng, title, rows) {
  L.popup({ maxWidth: 260 }).setLatLng(latlng).setContent(el("div", {}, el("b", {}, title),
    rows.filter(Boolean).map((text) => el("div", {}, text)))).openOn(map);
}
/** What the check log says of a station. */
function checkFacts(id) {
  const c = data.checks.find((check) => check.id === id);
  if (!c) return [];
  return [
    is(c.rate) && `${plural(c.activations, "activation", "activations")} in ${Math.round(c.nights)} nights: ${c.rate.toFixed(2)} per 100`,
    c.checked_on && `checked on ${c.checked_on}`, c.due_on && `${c.urgency}, due ${c.due_on}`,
    c.open > 0 && plural(c.open, "capsule missing", "capsules missing"),
  ];
}
function stationFacts(s) {
  return [`${s.order}: ${s.task_reason}`, data.shortCaution, s.name, { set: "in the ground", lifted: "lifted", proposed: "proposed" }[s.state], s.set_on && `set on ${s.set_on}`, ...checkFacts(s.id)];
}
/** The stations where something else than the usual check is to be done. */
function taskList() {
  const special = data.stations.filter((s) => !["serve", "none"].includes(s.task));
  if (!special.length) return null;
  const order = ["lift", "search", "move", "leave"];
  special.sort((a, b) => order.indexOf(a.task) - order.indexOf(b.task));
  return [el("h3", {}, "Stations that are not simply served"), el("ul", { class: "warnings", id: "task-list" }, special.map((s) => el("li", {}, `${s.id}: ${s.order}: ${s.task_reason}`)))];
}
function clicks() {
  const reach = window.matchMedia("(pointer: coarse)").matches ? 26 : 15;
  const near = (layer, latlng, r = reach) => (layer && map.hasLayer(layer) ? layer.nearest(latlng, r) : -1);
  map.on("click", ({ latlng }) => {
    if (ruler.on) return ruler.add(latlng);
    const site = nearSite(latlng, reach);
    if (site >= 0) return select(site, "map");
    const station = near(stationLayer, latlng);
    if (station >= 0) {
      const s = data.stations[station];
      return popup([s.lat, s.lon], `Station ${s.id}`, stationFacts(s));
    }
    const record = near(signLayer, latlng);
    if (record >= 0) {
      const r = data.records;
      return popup([r.lat[record], r.lon[record]], r.signs[r.sign[record]], [r.animals[r.animal[record]], r.day[record] || "no date", r.seasons[r.season[record]], r.count[record] === 1 ? null : `${r.count[record]} pieces`]);
    }
    const node = near(nodeLayer, latlng);
    if (node >= 0) {
      const n = data.nodes[node];
      return popup([n.lat, n.lon], `${n.kind} ${n.id}`, [plural(n.ways, "way", "ways"), n.convergence > 0 && `convergence ${n.convergence.toFixed(2)}`]);
    }
    const candidate = near(candidateLayer, latlng);
    if (candidate >= 0) {
      const c = data.candidates;
      popup([c.lat[candidate], c.lon[candidate]], `Candidate, score ${c.score[candidate].toFixed(2)}`, [c.lines[c.line[candidate]], c.why[candidate]]);
    }
  });
}
/** The site whose disc or foot is nearest to a place, within `reach` pixels. */
function nearSite(latlng, reach) {
  if (!siteLayer || !map.hasLayer(siteLayer)) return -1;
  const p = map.latLngToLayerPoint(latlng);
  let [best, found] = [reach, -1];
  data.sites.forEach((site, k) => {
    const foot = map.latLngToLayerPoint([site.foot[1], site.foot[0]]);
    const { reach: out } = peg(false);
    const disc = [foot.x + out * Math.sin(site.turn), foot.y - out * Math.cos(site.turn)];
    const d = Math.min(Math.hypot(p.x - disc[0], p.y - disc[1]), Math.hypot(p.x - foot.x, p.y - foot.y));
    if (d < best) [best, found] = [d, k];
  });
  return found;
}

function start() {
  byId("caution-list").append(...data.cautions.map((text) => el("li", {}, text)));
  fill(byId("open-items"), taskList(), data.openItems.length ? [el("h3", {}, "Open from earlier checks"), el("ul", { class: "warnings" }, data.openItems.map((text) => el("li", {}, text)))] : null);
  for (const site of data.sites) site.turn = (site.bearing_deg + (site.side === "left" ? -90 : 90)) * RAD;
  pictureLayers();
  placeLayers();
  lineLayers();
  nameLayer();
  recordLayers();
  pointLayers();
  groups.sort((a, b) => ORDER.indexOf(a.name) - ORDER.indexOf(b.name));
  switches();
  table();
  pointer();
  measuring();
  finding();
  tabs();
  swiping();
  clicks();
  if (sun.on) inSun(true);
  document.body.dataset.ready = "yes";
}
const ORDER = ["Siting", "Check round", "Sign", "Activity", "Lines", "Network", "Place"];
start();
