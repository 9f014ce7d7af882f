// Opens the pages of an output folder in a real browser without network and tries them.
// node check.mjs CHROMIUM PLAYWRIGHT AXE FOLDER OUT
// Writes screenshots, must.geojson and report.json to OUT; exits 1 with every fault named.
import { createRequire } from "node:module";
import fs from "node:fs";
import path from "node:path";

const [chromium, playwright, axe, folder, out] = process.argv.slice(2);
const { chromium: launcher } = createRequire(import.meta.url)(playwright);
const faults = [];
const check = (holds, what) => { if (!holds) faults.push(what); };
const browser = await launcher.launch({ executablePath: chromium, args: ["--no-sandbox"] });

async function open(name, width, height, touch = false) {
  const context = await browser.newContext({ viewport: { width, height }, hasTouch: touch, offline: true, acceptDownloads: true });
  const page = await context.newPage();
  page.on("console", (m) => { if (["error", "warning"].includes(m.type())) faults.push(`${name} at ${width}: console: ${m.text()}`); });
  page.on("pageerror", (e) => faults.push(`${name} at ${width}: ${e.message}`));
  page.on("request", (r) => { if (!/^(file|data|blob):/.test(r.url())) faults.push(`${name}: asks for ${r.url()}`); });
  await page.goto(`file://${path.resolve(folder, name)}`);
  if (name === "map.html") await page.waitForSelector("body[data-ready]", { timeout: 20000 });
  return page;
}
async function accessible(page, name) {
  // The policy of the page lets no script in, so the checker comes in by the debugger.
  await page.evaluate(fs.readFileSync(axe, "utf8"));
  const { violations } = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ["violations"] }));
  for (const v of violations.filter((v) => ["serious", "critical"].includes(v.impact))) {
    faults.push(`${name}: accessibility: ${v.id}: ${v.nodes.slice(0, 2).map((n) => n.target.join(" ")).join("; ")}`);
  }
}

const page = await open("map.html", 1440, 900);
check((await page.title()) === "Sample property: map", `the title is "${await page.title()}": markup in a name ran`);
await page.screenshot({ path: `${out}/map-desktop.png` });
await accessible(page, "map.html");

const switches = page.locator("#layers input[type=checkbox]");
const picture = async () => (await page.locator("#map").screenshot()).toString("base64");
for (let k = 0; k < (await switches.count()); k++) {
  const before = await switches.nth(k).isChecked();
  const name = (await page.locator("#layers label").nth(k).textContent()).trim();
  const was = await picture();
  await switches.nth(k).click();
  check((await switches.nth(k).isChecked()) !== before, `switch ${name} does not turn`);
  check((await picture()) !== was, `switch ${name} changes nothing on the map`);
  await switches.nth(k).click();
  check((await picture()) === was, `switch ${name} does not bring the map back`);
}

const rows = page.locator("#sites tbody tr");
const count = await rows.count();
check(count > 0, "the table holds no site");
await rows.nth(2).locator("button").click();
check((await rows.nth(2).getAttribute("aria-selected")) === "true", "a click in the table chooses nothing");
const third = await rows.nth(2).locator("th button").textContent();
check((await page.locator("#site-heading").textContent()).startsWith(third), "the panel does not follow the table");
await page.waitForTimeout(500);
// The ring lies about the disc of the chosen site: a click beside its drag handle's own
// element reaches the map there.
const ring = await page.locator(".grip").boundingBox();
await page.locator("#sites tbody tr").nth(0).locator("button").click();
await page.waitForTimeout(500);
await page.locator("#find-text").fill(third);
await page.locator("#find-text").press("Enter");
check((await page.locator("#site-heading").textContent()).startsWith(third), "the search does not choose a site");
check(ring !== null, "the chosen site has no handle");

// From the map to the table: choose another, then click the third one's disc.
await page.waitForTimeout(500);
const disc = await page.locator(".grip").boundingBox();
await page.evaluate(() => { document.querySelector(".grip").style.pointerEvents = "none"; });
await page.locator('#sites thead th[data-key="rank"] button').click();
await page.mouse.click(disc.x + disc.width / 2, disc.y + disc.height / 2);
const selected = await page.locator('#sites tr[aria-selected="true"] th button').textContent();
check(selected === third, `a click on the map chooses ${selected}, not ${third}`);
await page.evaluate(() => { document.querySelector(".grip").style.pointerEvents = ""; });

// Sorting.
await page.locator('#sites thead th[data-key="score"] button').click();
const scores = (await page.locator("#sites td.c-score").allTextContents()).map(Number);
check(scores.every((s, k) => k === 0 || scores[k - 1] >= s), "the table does not sort by score");

// Measuring.
await page.locator("#tool-measure").click();
for (const [x, y] of [[300, 300], [420, 380]]) await page.mouse.click(x, y);
check(/\d (m|km) over 2 points/.test(await page.locator("#measured").textContent()), "measuring says nothing");
await page.keyboard.press("Escape");

// For a screen in the sun.
await page.mouse.move(5, 5);
const shade = await picture();
await page.locator("#tool-sun").click();
check((await page.locator("#tool-sun").getAttribute("aria-pressed")) === "true" && (await picture()) !== shade, "bright sun changes nothing on the map");
await accessible(page, "map.html in bright sun");
await page.screenshot({ path: `${out}/map-sun.png` });
await page.locator("#tool-sun").click();
check((await page.locator("body.sun").count()) === 0, "bright sun does not go off again");
await page.waitForTimeout(400);

// Dragging the chosen site along its line.
const grip = await page.locator(".grip").boundingBox();
await page.mouse.move(grip.x + grip.width / 2, grip.y + grip.height / 2);
await page.mouse.down();
await page.mouse.move(grip.x + grip.width / 2 + 45, grip.y + grip.height / 2 + 30, { steps: 8 });
await page.mouse.up();
check((await page.locator("#sites .tag", { hasText: "moved" }).count()) === 1, "dragging moved no site");
await page.screenshot({ path: `${out}/map-moved.png` });
const movedTo = await page.locator("#sheet-site .part").evaluateAll((parts) => Object.fromEntries(parts.map((p) => [p.querySelector(".part-name").textContent.replaceAll(" ", "_"), Number(p.querySelector(".part-value").textContent)])));
const told = await page.locator("#sheet-site").textContent();
const nearestM = /Nearest site(\d+) m along/.exec(told)?.[1];
check((nearestM !== undefined && Number(nearestM) < 1000) === told.includes("nearer than the spacing"), `the panel of the moved site says of the spacing: ${told}`);
const [download] = await Promise.all([page.waitForEvent("download"), page.locator("#save-must").click()]);
await download.saveAs(`${out}/must.geojson`);
const saved = JSON.parse(fs.readFileSync(`${out}/must.geojson`, "utf8"));
check(saved.features.length === 1 && saved.features[0].properties.must === true && saved.features[0].properties.site_id === third, "the saved layer does not hold the moved site");
check(saved.features[0].properties.moved === true, "the saved site is not marked as moved");

// Stepping sites until one comes too near a house: the panel warns as soon as, and only where, it is too near.
let warned = 0;
for (const id of await rows.locator("th button").allTextContents()) {
  await page.locator("#find-text").fill(id);
  await page.locator("#find-text").press("Enter");
  for (let k = 0; k < 15; k++) {
    await page.locator("#step-back").click();
    const panel = await page.locator("#sheet-site").textContent();
    const [, away, limit] = /: (\d+) m away; limit \d+ m, (\d+) m with/.exec(panel) || [];
    const inside = panel.includes("inside the keep-out");
    if (away === undefined) check(!inside, "a keep-out is warned of that is not near");
    else if (Math.abs(away - limit) > 1) check(inside === Number(away) < Number(limit), `${away} m from a keep-out of ${limit} m, and the panel ${inside ? "warns" : "is silent"}`);
    warned += inside;
  }
  if (warned > 0) break;
}
check(warned > 0, "no step led into a keep-out");

// A capsule that is missing stays on every sheet.
check((await page.locator("#open-items").textContent()) !== null, "there is no place for open items");

// By keyboard alone: the search, the table, the map.
await page.keyboard.press("/");
check(await page.evaluate(() => document.activeElement.id === "find-text"), "the slash does not go to the search");
await page.keyboard.type("1");
await page.keyboard.press("Enter");
check((await page.locator("#site-heading").textContent()).includes("rank 1 "), "a rank typed in the search chooses no site");
await page.locator("#sites tbody tr").first().locator("button").focus();
const focused = () => page.evaluate(() => document.activeElement.textContent);
const firstRow = await focused();
await page.keyboard.press("ArrowDown");
check((await focused()) !== firstRow, "the down key does not move in the table");
await page.keyboard.press("Enter");
check((await page.locator('#sites tr[aria-selected="true"] th button').textContent()) === (await focused()), "Enter in the table chooses nothing");
const atMap = () => page.evaluate(() => [document.querySelector(".leaflet-map-pane").style.transform, document.querySelector(".leaflet-control-scale-line").textContent].join());
await page.locator("#map").focus();
const still = await atMap();
await page.keyboard.press("ArrowRight");
await page.waitForTimeout(500);
const moved = await atMap();
check(moved !== still, "the right key does not move the map");
await page.keyboard.press("+");
await page.keyboard.press("+");
await page.waitForTimeout(700);
check((await atMap()) !== moved, "the plus key does not zoom");
// Every control is reached by Tab and shows that it is.
await page.evaluate(() => document.activeElement.blur());
const reached = new Set();
for (let k = 0; k < 160; k++) {
  await page.keyboard.press("Tab");
  const id = await page.evaluate(() => { const a = document.activeElement; return a === document.body ? "" : a.id || a.textContent.trim().slice(0, 30) || a.type; });
  if (id) reached.add(id);
}
for (const id of ["find-text", "tool-fit", "tool-measure", "tool-print", "map"]) check(reached.has(id), `Tab does not reach ${id}`);

// Two seasons under one slider.
const seasons = JSON.parse(await page.locator("#data").textContent()).pictures.filter((p) => ["before", "after"].includes(p.id));
if (seasons.length === 2) {
  for (const season of seasons) await page.locator("#layers label.switch", { hasText: new RegExp(`^${season.name}$`) }).locator("input").check();
  check(await page.locator("#swipe").isVisible(), "the slider does not show where both seasons are on");
  const at = async (value) => {
    await page.locator("#swipe-at").evaluate((slider, v) => { slider.value = v; slider.dispatchEvent(new Event("input")); }, value);
    const clip = (name) => page.evaluate((n) => document.querySelector(`.leaflet-${n}-pane`).style.clip.match(/-?[\d.]+(?=px)/g).map(Number), name);
    return { before: await clip("picture"), after: await clip("after"), shown: await picture() };
  };
  const [left, right] = [await at(15), await at(85)];
  const width = (await page.locator("#map").boundingBox()).width;
  check(Math.abs(right.before[1] - left.before[1] - 0.7 * width) < 1, "the slider does not wipe the season before");
  for (const cut of [left, right]) check(Math.abs(cut.before[1] - cut.after[3]) < 0.01, "the two seasons do not meet at the slider");
  check(left.shown !== right.shown, "the slider changes nothing that is seen");
  await page.locator("#swipe-at").focus();
  const was = await page.locator("#swipe-at").inputValue();
  await page.keyboard.press("ArrowLeft");
  check(Number(await page.locator("#swipe-at").inputValue()) < Number(was), "the slider does not follow the keyboard");
  await page.screenshot({ path: `${out}/map-swipe.png` });
  for (const season of seasons) await page.locator("#layers label.switch", { hasText: new RegExp(`^${season.name}$`) }).locator("input").uncheck();
  check(!(await page.locator("#swipe").isVisible()), "the slider stays when the seasons are off");
} else {
  faults.push("the folder holds no pictures of two seasons, so the slider was not tried");
}

// In grey: bands of the activity must fall in lightness from step to step, on paper.
const bands = await page.locator(".row", { hasText: "sign per km²" }).first().locator(".ramp-bands span").evaluateAll((chips) => chips.map((c) => c.style.background));
const grey = bands.map((colour) => {
  const [r, g, b, a = 1] = colour.match(/[\d.]+/g).map(Number);
  const on = (v) => v * a + 255 * (1 - a);
  return 0.2126 * on(r) + 0.7152 * on(g) + 0.0722 * on(b);
});
check(grey.length >= 4, `only ${grey.length} bands in the legend of the activity`);
check(grey.every((v, k) => k === 0 || grey[k - 1] - v > 8), `bands are alike in grey: ${grey.map(Math.round)}`);
await page.emulateMedia({ media: "print" });
await page.evaluate(() => { document.documentElement.style.filter = "grayscale(1)"; });
await page.setViewportSize({ width: 1046, height: 718 });
await page.waitForTimeout(400);
await page.screenshot({ path: `${out}/map-print-grey.png`, fullPage: true });
await page.evaluate(() => { document.documentElement.style.filter = ""; });
await page.pdf({ path: `${out}/map.pdf`, preferCSSPageSize: true });
check((await page.locator(".tools").isVisible()) === false, "buttons are printed");
await page.emulateMedia({ media: "screen" });

for (const [name, width, height] of [["phone", 390, 844], ["tablet", 900, 1180]]) {
  const small = await open("map.html", width, height, true);
  await small.screenshot({ path: `${out}/map-${name}.png` });
  const wide = await small.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
  check(wide <= 0, `map.html at ${width}: ${wide} pixels too wide`);
  if (name === "phone") await small.locator('.tabs button[data-sheet="sites"]').tap();
  await small.locator("#sites tbody button").first().tap();
  await small.waitForTimeout(400);
  check(await small.locator("#sheet-site").isVisible(), `map.html at ${width}: the site's panel does not show`);
  await small.screenshot({ path: `${out}/map-${name}-site.png` });
}

const sheet = await open("field-sheet.html", 900, 1200);
await accessible(sheet, "field-sheet.html");
await sheet.pdf({ path: `${out}/field-sheet.pdf`, preferCSSPageSize: true });
await sheet.screenshot({ path: `${out}/field-sheet.png` });
if (fs.existsSync(path.join(folder, "season-report.html"))) {
  const season = await open("season-report.html", 900, 1200);
  await accessible(season, "season-report.html");
  await season.screenshot({ path: `${out}/season-report.png`, fullPage: true });
}
await browser.close();
fs.writeFileSync(`${out}/report.json`, JSON.stringify({ sites: count, movedTo, nearestM, faults }));
if (faults.length) { console.error([...new Set(faults)].join("\n")); process.exit(1); }
