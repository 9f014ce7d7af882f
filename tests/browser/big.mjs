// Measures how a large map opens and moves, in a real browser without network.
// node big.mjs CHROMIUM PLAYWRIGHT MAP OUT
// Prints one JSON object: seconds to open, the longest task while panning, zooming, choosing and moving a site.
import { createRequire } from "node:module";
import path from "node:path";

const [chromium, playwright, map, out] = process.argv.slice(2);
const { chromium: launcher } = createRequire(import.meta.url)(playwright);
const browser = await launcher.launch({ executablePath: chromium, args: ["--no-sandbox"] });
const context = await browser.newContext({ viewport: { width: 1440, height: 900 }, offline: true });
const page = await context.newPage();
const faults = [];
page.on("pageerror", (e) => faults.push(e.message));
await page.addInitScript(() => {
  globalThis.tasks = [];
  new PerformanceObserver((list) => tasks.push(...list.getEntries().map((e) => e.duration))).observe({ type: "longtask" });
});
const started = performance.now();
await page.goto(`file://${path.resolve(map)}`);
await page.waitForSelector("body[data-ready]", { timeout: 60000 });
const opened = (performance.now() - started) / 1000;
await page.waitForTimeout(1000);
const sites = await page.evaluate(() => JSON.parse(document.getElementById("data").textContent).sites.length);
await page.screenshot({ path: `${out}/map-big.png` });
const whole = await page.locator("#map").boundingBox();
const [cx, cy] = [whole.x + whole.width / 2, whole.y + whole.height / 2];
const longest = async (what) => {
  await page.evaluate(() => { tasks.length = 0; });
  await what();
  await page.waitForTimeout(600);
  return page.evaluate(() => Math.max(0, ...tasks));
};
const pan = async () => {
  for (let k = 0; k < 8; k++) {
    await page.mouse.move(cx, cy);
    await page.mouse.down();
    await page.mouse.move(cx + (k % 2 ? 220 : -220), cy + (k % 3 ? 90 : -90), { steps: 12 });
    await page.mouse.up();
    await page.waitForTimeout(150);
  }
};
const signOff = await longest(pan);
await page.locator("#layers label.switch", { hasText: /^All sign/ }).locator("input").check();
const signOn = await longest(pan);
const zoom = await longest(async () => {
  for (let k = 0; k < 4; k++) { await page.mouse.move(cx, cy); await page.mouse.wheel(0, -180); await page.waitForTimeout(400); }
});
const panClose = await longest(pan);
await page.screenshot({ path: `${out}/map-big-close.png` });
const choose = await longest(() => page.locator("#sites tbody button").nth(20).click());
const move = await longest(() => page.locator("#step-on").click());
await browser.close();
const ms = (v) => Math.round(v);
console.log(JSON.stringify({ opened_s: Number(opened.toFixed(2)), sites, longest_task_ms: { pan: ms(signOff), pan_with_sign: ms(signOn), zoom: ms(zoom), pan_close: ms(panClose), choose: ms(choose), move: ms(move) }, faults }));
process.exit(faults.length ? 1 : 0);
