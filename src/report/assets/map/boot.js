// The data of the page, and the few helpers that every part uses. Text from the data
// enters the page as text nodes only, never as markup.
const data = JSON.parse(document.getElementById("data").textContent);
const byId = (id) => document.getElementById(id);

function build(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...present(children));
  return element;
}
const present = (children) => children.flat(Infinity).filter((child) => child !== null && child !== undefined);
const fill = (element, ...children) => element.replaceChildren(...present(children));
const el = (tag, attributes, ...children) => build(document.createElement(tag), attributes, children);
const svg = (tag, attributes, ...children) =>
  build(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes, children);

const narrow = window.matchMedia("(max-width: 760px)");
const sun = { on: window.matchMedia("(prefers-contrast: more)").matches };
const say = (text) => { byId("said").textContent = text; };
const is = (value) => value !== null && value !== undefined;
const plural = (count, one, many) => `${count} ${count === 1 ? one : many}`;

function metres(m) {
  if (!is(m)) return "none";
  if (m >= 10000) return `${(m / 1000).toFixed(1)} km`;
  if (m >= 1000) return `${(m / 1000).toFixed(2)} km`;
  return `${m >= 10 ? Math.round(m) : m.toFixed(1)} m`;
}
function short(value) {
  if (value === 0) return "0";
  const size = Math.abs(value);
  if (size >= 100) return value.toFixed(0);
  return String(Number(value.toPrecision(2)));
}
const percent = (share) => `${Math.round(100 * share)} %`;

/** Pairs of a flat list as Leaflet wants them: latitude first. */
function pairs(flat) {
  const out = [];
  for (let k = 0; k + 1 < flat.length; k += 2) out.push([flat[k + 1], flat[k]]);
  return out;
}

const COMPASS = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"];
const compass = (deg) => COMPASS[Math.round((((deg % 360) + 360) % 360) / 45) % 8];
