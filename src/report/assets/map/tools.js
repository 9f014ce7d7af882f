// Coordinates under the pointer, the grid, north, measuring, finding, printing, the tabs
// of small screens.

function niceStep(raw) {
  const power = 10 ** Math.floor(Math.log10(raw));
  return [1, 2, 5, 10].map((k) => k * power).find((step) => step >= raw);
}
/** Lines of the job's grid with their values at the edge of the view. */
const gridLayer = new Drawn("grid", (context) => {
  const view = map.getBounds();
  const corners = [view.getSouthWest(), view.getNorthEast(), view.getNorthWest(), view.getSouthEast()].map((c) => toGrid(c.lng, c.lat));
  if (corners.some((c) => !c)) return;
  const [xs, ys] = [corners.map((c) => c[0]), corners.map((c) => c[1])];
  const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const step = niceStep(((x1 - x0) / map.getSize().x) * 110);
  const edge = map.containerPointToLayerPoint([0, 0]);
  context.lineWidth = 1;
  context.strokeStyle = "rgba(90,110,120,.28)";
  context.fillStyle = "#56646d";
  context.font = "10px system-ui, sans-serif";
  const way = (at) => {
    context.beginPath();
    for (let k = 0; k <= 8; k++) {
      const ll = toLonLat(...at(k / 8));
      if (!ll) return null;
      const p = map.latLngToLayerPoint([ll[1], ll[0]]);
      if (k) context.lineTo(p.x, p.y); else context.moveTo(p.x, p.y);
    }
    context.stroke();
  };
  for (let x = Math.ceil(x0 / step) * step; x <= x1; x += step) {
    way((t) => [x, y0 + t * (y1 - y0)]);
    const top = toLonLat(x, y1);
    if (top) context.fillText(grouped(x), map.latLngToLayerPoint([top[1], top[0]]).x + 3, edge.y + 12);
  }
  for (let y = Math.ceil(y0 / step) * step; y <= y1; y += step) {
    way((t) => [x0 + t * (x1 - x0), y]);
    const right = toLonLat(x1, y);
    const text = grouped(y);
    if (right) context.fillText(text, edge.x + map.getSize().x - context.measureText(text).width - 5, map.latLngToLayerPoint([right[1], right[0]]).y - 3);
  }
});

function readout(latlng, where) {
  byId("readout").replaceChildren(
    el("span", { class: "where" }, where), el("span", {}, `lon, lat ${lonLatText(latlng.lng, latlng.lat)}`),
    el("span", {}, `${data.gridName}  ${gridText(latlng.lng, latlng.lat)}`));
}
function pointer() {
  map.on("mousemove", (event) => readout(event.latlng, "pointer"));
  map.on("move", () => readout(map.getCenter(), "middle of the map"));
  map.on("mouseout", () => readout(map.getCenter(), "middle of the map"));
  readout(map.getCenter(), "middle of the map");
  const North = L.Control.extend({
    onAdd: () => el("div", { class: "north", title: "True north is up" },
      svg("svg", { viewBox: "0 0 40 52", role: "img", "aria-label": "True north is up" },
        svg("path", { d: "M20 2 L31 46 L20 38 L9 46 Z", fill: PAPER, stroke: INK, "stroke-width": 2, "stroke-linejoin": "round" }),
        svg("path", { d: "M20 2 L20 38 L9 46 Z", fill: INK }),
        svg("text", { x: 20, y: 52, "text-anchor": "middle", "font-size": 12, "font-weight": 700, fill: INK }, "N"))),
  });
  new North({ position: "topright" }).addTo(map);
}

const ruler = { on: false, points: [], line: null };
function measuring() {
  const button = byId("tool-measure");
  const show = () => {
    const total = ruler.points.slice(1).reduce((sum, p, k) => sum + distanceM([ruler.points[k].lng, ruler.points[k].lat], [p.lng, p.lat]), 0);
    ruler.line.setLatLngs(ruler.points);
    byId("measured").textContent = ruler.points.length < 2
      ? "Click the map to set points. Escape ends; Backspace takes the last point back." : `${metres(total)} over ${plural(ruler.points.length, "point", "points")}`;
  };
  const set = (on) => {
    ruler.on = on;
    ruler.points = [];
    button.setAttribute("aria-pressed", on);
    byId("map").classList.toggle("measuring", on);
    byId("measured").hidden = !on;
    if (!ruler.line) ruler.line = L.polyline([], { pane: "site", renderer: L.canvas({ pane: "name" }), color: "#a3182c", weight: 3, dashArray: "6 4", interactive: false });
    if (on) { ruler.line.addTo(map); show(); } else ruler.line.remove();
  };
  button.addEventListener("click", () => set(!ruler.on));
  ruler.add = (latlng) => { ruler.points.push(latlng); show(); };
  document.addEventListener("keydown", (event) => {
    if (!ruler.on) return;
    if (event.key === "Escape") set(false);
    if (event.key === "Backspace" && event.target.tagName !== "INPUT") { ruler.points.pop(); show(); }
    if (event.key === "Enter" && document.activeElement === byId("map")) ruler.add(map.getCenter());
  });
}

function finding() {
  const input = byId("find-text");
  byId("find-ids").append(...[...data.sites.slice(0, 500), ...data.stations.slice(0, 500)].map((s) => el("option", { value: s.id })));
  byId("find").addEventListener("submit", (event) => {
    event.preventDefault();
    const wanted = input.value.trim().toLowerCase();
    const k = data.sites.findIndex((s) => s.id.toLowerCase() === wanted || String(s.rank) === wanted);
    const station = data.stations.find((s) => s.id.toLowerCase() === wanted);
    if (k >= 0) select(k, "find");
    else if (station) popup([station.lat, station.lon], `Station ${station.id}`, stationFacts(station));
    else say(`No site or station is called ${input.value.trim()}.`);
    input.setAttribute("aria-invalid", k < 0 && !station);
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "/" && !["INPUT", "TEXTAREA"].includes(event.target.tagName)) { event.preventDefault(); input.select(); }
  });
}

/** For a screen in the sun: black on white, paler pictures, larger marks and names. */
function inSun(on) {
  sun.on = on;
  document.body.classList.toggle("sun", on);
  byId("tool-sun").setAttribute("aria-pressed", on);
  for (const layer of [siteLayer, nameOverlay, signLayer, stationLayer, gridLayer]) if (layer && map.hasLayer(layer)) layer.redraw();
  if (chosen.site >= 0) handle(chosen.site);
}
function showSheet(name) {
  document.body.dataset.sheet = name;
  for (const tab of document.querySelectorAll(".tabs button")) tab.setAttribute("aria-pressed", tab.dataset.sheet === name);
  if (name === "cautions") byId("sheet-cautions").open = true;
  setTimeout(() => map.invalidateSize(), 0);
}
function tabs() {
  for (const tab of document.querySelectorAll(".tabs button")) tab.addEventListener("click", () => showSheet(tab.dataset.sheet));
  showSheet("cautions");
  fitAll();
  byId("tool-fit").addEventListener("click", fitAll);
  byId("tool-sun").addEventListener("click", () => inSun(!sun.on));
  byId("tool-print").addEventListener("click", () => window.print());
  // Paper has another shape than the screen: the same place is shown on it.
  const paper = window.matchMedia("print");
  paper.addEventListener("change", (event) => {
    const centre = map.getBounds();
    map.invalidateSize({ animate: false });
    map.fitBounds(event.matches ? centre : centre, { animate: false });
  });
}
