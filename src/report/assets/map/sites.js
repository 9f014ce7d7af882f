// The table of sites and the panel of the chosen one, linked with the map both ways.
const chosen = { site: -1 };
const ROWS_A_PAGE = 100;
const COLUMNS = [
  ["rank", "Rank", (s) => s.rank, (s) => String(s.rank)],
  ["id", "Site", (s) => s.id, null],
  ["score", "Score", (s) => -s.score, (s) => s.score.toFixed(2)],
  ["line", "Line", (s) => s.line, (s) => s.line],
  ["along", "Along", (s) => s.chainage_m, (s) => metres(s.chainage_m)],
  ["side", "Side", (s) => s.side, (s) => s.side],
  ["next", "Nearest site", (s) => s.nearest_site_m ?? Infinity, (s) => metres(s.nearest_site_m)],
];
const sorting = { column: 0, down: false, page: 0, order: data.sites.map((_, k) => k) };

function table() {
  const head = byId("sites").tHead.rows[0];
  COLUMNS.forEach(([key, name], k) => {
    const button = el("button", { type: "button", onclick: () => sortBy(k, sorting.column === k && !sorting.down) }, name);
    head.append(el("th", { scope: "col", "data-key": key }, button));
  });
  byId("sites-none").hidden = data.sites.length > 0;
  document.querySelector(".table-frame").hidden = data.sites.length === 0;
  byId("sites").tBodies[0].addEventListener("click", (event) => {
    const row = event.target.closest("tr");
    if (row) select(Number(row.dataset.k), "table");
  });
  byId("sites").addEventListener("keydown", (event) => {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    const row = event.target.closest("tbody tr");
    if (!step || !row) return;
    event.preventDefault();
    const next = step > 0 ? row.nextElementSibling : row.previousElementSibling;
    if (next) next.querySelector("button").focus();
  });
  sortBy(0, false);
}
function sortBy(column, down) {
  const value = COLUMNS[column][2];
  const before = (a, b) => (typeof a === "string" ? a.localeCompare(b, "en", { numeric: true }) : a - b);
  sorting.order.sort((a, b) => (before(value(data.sites[a]), value(data.sites[b])) || data.sites[a].rank - data.sites[b].rank) * (down ? -1 : 1));
  Object.assign(sorting, { column, down, page: 0 });
  [...byId("sites").tHead.rows[0].cells].forEach((cell, k) => {
    if (k === column) cell.setAttribute("aria-sort", down === (COLUMNS[k][0] === "score") ? "ascending" : "descending"); else cell.removeAttribute("aria-sort");
  });
  drawRows();
}
function drawRows() {
  const from = sorting.page * ROWS_A_PAGE;
  const rows = sorting.order.slice(from, from + ROWS_A_PAGE).map((k) => {
    const site = data.sites[k];
    const cells = COLUMNS.map(([key, , , text]) => key === "id"
      ? el("th", { scope: "row" }, el("button", { type: "button" }, site.id), site.moved ? el("span", { class: "tag" }, "moved") : null, site.cautions.length ? el("span", { class: "tag warn", title: plural(site.cautions.length, "caution", "cautions") }, "!") : null)
      : el("td", { class: `c-${key}` }, text(site)));
    return el("tr", { "data-k": k, "aria-selected": String(k === chosen.site) }, cells);
  });
  byId("sites").tBodies[0].replaceChildren(...rows);
  pager(from);
}
function pager(from) {
  const pages = Math.ceil(sorting.order.length / ROWS_A_PAGE);
  byId("pager").hidden = pages < 2;
  const go = (step) => el("button", { type: "button", disabled: sorting.page + step < 0 || sorting.page + step >= pages, onclick: () => { sorting.page += step; drawRows(); } }, step < 0 ? "Earlier" : "Later");
  byId("pager").replaceChildren(go(-1), el("span", {}, `${from + 1} to ${Math.min(from + ROWS_A_PAGE, sorting.order.length)} of ${sorting.order.length}`), go(1));
}

/** Chooses a site; `from` says where the choice was made, so that only the others follow. */
function select(k, from) {
  chosen.site = k;
  const site = data.sites[k];
  if (from !== "table") sorting.page = Math.floor(sorting.order.indexOf(k) / ROWS_A_PAGE);
  drawRows();
  const row = byId("sites").tBodies[0].querySelector(`tr[data-k="${k}"]`);
  if (row && from === "table") row.querySelector("button").focus({ preventScroll: true });
  else if (row) row.scrollIntoView({ block: "nearest" });
  siteLayer.redraw();
  panel(site);
  handle(k);
  if (from !== "move") {
    showSheet("site");
    if (from !== "map") reveal(site);
    // The table keeps its place above the panel, so that the next row is at hand.
    if (!narrow.matches) byId("sheet-sites").scrollIntoView({ block: "start" });
  }
  say(`Site ${site.id}, rank ${site.rank}, chosen.`);
}

/** Brings a site into the part of the map that no sheet covers. */
function reveal(site) {
  const at = L.latLng(site.foot[1], site.foot[0]);
  const covered = narrow.matches ? byId("ledger").offsetHeight : 0;
  const zoom = Math.max(map.getZoom(), 14.5);
  const p = map.latLngToContainerPoint(at);
  const size = map.getSize();
  const seen = p.x > 40 && p.x < size.x - 40 && p.y > 40 && p.y < size.y - covered - 40;
  if (seen && map.getZoom() >= 14) return;
  map.setView(map.unproject(map.project(at, zoom).add([0, covered / 2]), zoom), zoom);
}

function panel(site) {
  const box = byId("sheet-site");
  box.hidden = byId("jump-site").hidden = false;
  const facts = [
    ["Line", `${site.line} (${site.kind})`],
    ["Along it", `${metres(site.chainage_m)} from its start${site.start ? ` (${site.start})` : ""}`],
    ["Side", `${site.side}, ${metres(site.offset_m)} off, walking ${compass(site.bearing_deg)} from the start`],
    ["Position", `${lonLatText(site.lon, site.lat)} (lon, lat)`],
    [data.gridName, gridText(site.lon, site.lat)],
    ["Nearest site", `${metres(site.nearest_site_m)} along lines${data.spacing_m ? `; spacing asked ${metres(data.spacing_m)}` : ""}`],
    is(site.cluster) ? ["Cluster", site.cluster] : null,
    is(site.stability) ? ["Holds its place", `in ${percent(site.stability)} of other weightings`] : null,
  ].filter(Boolean);
  fill(box,
    el("h2", { id: "site-heading" }, `${site.id} `, el("span", { class: "soft" }, `rank ${site.rank} of ${data.sites.length}, score ${site.score.toFixed(2)}`)),
    el("p", { class: "reason" }, site.moved ? el("span", { class: "soft" }, "where it was proposed: ") : null, site.reason),
    el("p", { class: "hint" }, data.shortCaution),
    site.cautions.length ? el("ul", { class: "warnings" }, site.cautions.map((c) => el("li", {}, c))) : null,
    el("h3", {}, "What made the score"), bars(site.parts),
    el("h3", {}, "Keep-outs"), keepOutText(site),
    site.wind_day || site.wind_night ? el("h3", {}, "Wind") : null,
    site.wind_day || site.wind_night ? el("div", { class: "roses" }, rose("Day", site.wind_day, site), rose("Night", site.wind_night, site)) : null,
    el("h3", {}, "Where"), el("dl", {}, facts.map(([name, text]) => [el("dt", {}, name), el("dd", {}, text)])),
    mover(site));
}

function bars(parts) {
  const total = parts.reduce((sum, part) => sum + part.weight, 0) || 1;
  return el("div", { class: "parts" }, parts.map((part) => {
    const bar = el("span", { class: "bar" }, el("i", {}));
    bar.style.width = `${(100 * part.weight) / Math.max(...parts.map((p) => p.weight))}%`;
    bar.firstChild.style.width = `${100 * part.value}%`;
    const raw = is(part.raw) ? `${short(part.raw)}${part.unit ? ` ${part.unit}` : ""}` : "";
    return el("div", { class: "part", title: part.from || "" }, el("span", { class: "part-name" }, part.name.replaceAll("_", " ")), bar,
      el("span", { class: "part-value" }, part.value.toFixed(2)),
      el("span", { class: "hint" }, `${raw ? `${raw}; ` : ""}counts ${percent(part.weight / total)}`));
  }));
}

function keepOutText(site) {
  const k = site.keep_out;
  if (!k) return el("p", {}, data.keepOuts.length ? "None near." : "The plan has no keep-outs: this site was not checked against any.");
  const spare = k.distance_m - (k.limit_with_error_m ?? k.limit_m);
  return el("p", {}, `${k.name}${k.reason && k.reason !== k.name ? ` (${k.reason})` : ""}: ${metres(k.distance_m)} away; limit ${metres(k.limit_m)}`,
    is(k.limit_with_error_m) && k.limit_with_error_m !== k.limit_m ? `, ${metres(k.limit_with_error_m)} with the error of placing it` : "", `; ${metres(Math.abs(spare))} ${spare >= 0 ? "to spare" : "too near"}.`);
}

/** A wind rose: petals point to where the wind comes from, the bar is the line. */
function rose(name, wind, site) {
  if (!wind) return el("p", { class: "hint" }, `${name}: no wind given`);
  const hours = wind.rose || [];
  const most = Math.max(...hours, 1e-9);
  const petals = hours.map((h, k) => {
    const [a, half, r] = [(k * 2 * Math.PI) / hours.length, Math.PI / hours.length * 0.86, 4 + 32 * (h / most)];
    const at = (angle, radius) => `${(radius * Math.sin(angle)).toFixed(2)} ${(-radius * Math.cos(angle)).toFixed(2)}`;
    return h > 0 ? svg("path", { d: `M0 0 L${at(a - half, r)} A${r} ${r} 0 0 1 ${at(a + half, r)} Z`, fill: name === "Night" ? "#2c3e63" : "#d08a1e", stroke: PAPER, "stroke-width": 0.6 }) : null;
  });
  const [s, c] = [Math.sin(site.bearing_deg * RAD), Math.cos(site.bearing_deg * RAD)];
  const out = site.side === "left" ? -1 : 1;
  const share = is(wind.value) ? `scent reaches the line in ${percent(wind.value)} of ${is(wind.hours) ? `${Math.round(wind.hours)} ` : ""}hours` : "";
  const words = [share, is(wind.calm_share) ? `calm ${percent(wind.calm_share)}` : ""].filter(Boolean).join("; ");
  return el("figure", { class: "rose" },
    svg("svg", { viewBox: "-46 -46 92 92", role: "img", "aria-label": `${name} wind. ${words}` },
      svg("circle", { r: 38, fill: "#f4efe2", stroke: "#c9c2b0" }),
      svg("line", { x1: -44 * s, y1: 44 * c, x2: 44 * s, y2: -44 * c, stroke: "#6b4a2b", "stroke-width": 3 }),
      petals, svg("circle", { cx: out * 12 * c, cy: out * 12 * s, r: 4, fill: PEG, stroke: PAPER, "stroke-width": 1.5 }),
      svg("text", { y: -39, "text-anchor": "middle", "font-size": 8, fill: INK }, "N")),
    el("figcaption", {}, el("b", {}, name), words ? ` ${words}` : ""));
}
