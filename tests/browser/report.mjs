// The report of a run in a headless browser: it draws, moves, reads out and prints, says nothing on
// the console, asks the network for nothing, and its colours can be told from their ground.
//
// `run.sh` starts it, with three lines in REPORT_TEST: the browser, the folder that `hopwright run
// --out` has written, and a folder that gets screenshots for people to look at.
import assert from "node:assert/strict";
import fs from "node:fs";
import os from "node:os";
import path from "node:path";
import { test, after, before } from "node:test";
import { pathToFileURL } from "node:url";
import puppeteer from "puppeteer-core";

const [browserPath, folder, pictures] = process.env.REPORT_TEST.split("\n");
const page_url = pathToFileURL(path.resolve(folder, "report.html")).href;
const results = JSON.parse(fs.readFileSync(path.join(folder, "results.json"), "utf8"));
fs.mkdirSync(pictures, { recursive: true });

const profile = fs.mkdtempSync(path.join(os.tmpdir(), "browser-"));
let browser, page;
const said = [], asked = [];

before(async () => {
  browser = await puppeteer.launch({
    executablePath: browserPath, headless: true, userDataDir: profile,
    args: ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
      "--disable-background-networking", "--disable-component-update", "--disable-sync"],
  });
  page = await browser.newPage();
  page.on("console", (message) => said.push(message.text()));
  page.on("pageerror", (error) => said.push(String(error)));
  page.on("request", (request) => asked.push(request.url()));
});

after(async () => {
  await browser?.close();
  fs.rmSync(profile, { recursive: true, force: true });
});

const settled = () => page.evaluate(() => new Promise((done) =>
  requestAnimationFrame(() => requestAnimationFrame(() => requestAnimationFrame(done)))));
const open = async (width, height, media = {}) => {
  await page.setViewport({ width, height });
  await page.emulateMediaType(media.type ?? "screen");
  await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: media.scheme ?? "light" },
    { name: "prefers-reduced-motion", value: "reduce" }]);
  await page.goto(page_url, { waitUntil: "load" });
  await settled();
};
const seen = () => page.$eval("#view", (view) =>
  Object.fromEntries(["from", "to", "low", "high"].map((key) => [key, Number(view.dataset[key])])));
const readout = () => page.$eval("#readout", (p) => p.textContent);
const press = async (...keys) => {
  for (const key of keys) await page.keyboard.press(key);
  await settled();
};
const shot = (name, full = false) =>
  page.screenshot({ path: path.join(pictures, `${name}.png`), fullPage: full });
const data = () => page.evaluate(() => JSON.parse(document.getElementById("data").textContent));

// Shares of the canvas in a colour of the style sheet, for what must have been drawn.
const painted = (id, names) => page.evaluate((id, names) => {
  const canvas = document.createElement("canvas"), drawn = document.getElementById(id);
  [canvas.width, canvas.height] = [drawn.width, drawn.height];
  const copy = canvas.getContext("2d", { willReadFrequently: true });
  copy.drawImage(drawn, 0, 0);
  const pixels = copy.getImageData(0, 0, canvas.width, canvas.height).data;
  const style = getComputedStyle(document.documentElement);
  const wanted = names.map((name) => {
    const hex = style.getPropertyValue("--" + name).trim().slice(1);
    const full = hex.length === 3 ? [...hex].map((c) => c + c).join("") : hex;
    return [0, 2, 4].map((at) => parseInt(full.slice(at, at + 2), 16));
  });
  const counts = names.map(() => 0);
  for (let i = 0; i < pixels.length; i += 4) {
    if (pixels[i + 3] < 250) continue;
    wanted.forEach((rgb, k) => { if (rgb.every((v, c) => Math.abs(v - pixels[i + c]) < 3)) counts[k] += 1; });
  }
  return Object.fromEntries(names.map((name, k) => [name, counts[k]]));
}, id, names);

test("everything is there, fits, and is drawn", async () => {
  for (const [width, height, name] of [[1280, 900, "wide"], [390, 844, "narrow"]]) {
    await open(width, height);
    const overflow = await page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
    assert.equal(overflow, 0, `${name}: the page is wider than the window`);
    assert.equal(await page.$$eval("[data-check]", (rows) => rows.length), results.checks.length);
    assert.equal(await page.$$eval("[data-station]", (rows) => rows.length), results.stations.length);
    for (const id of ["outcome", "checks", "account", "band", "stations", "channels", "sound", "repeat"]) {
      assert.ok(await page.$(`#${id}`), id);
    }
    const field = await painted("field", ["heard", "lost", "idle", "quiet"]);
    for (const [colour, count] of Object.entries(field)) assert.ok(count > 20, `${name}: ${colour} ${count}`);
    const rows = await painted("rows", ["heard", "speak", "soft"]);
    for (const [colour, count] of Object.entries(rows)) assert.ok(count > 100, `${name}: ${colour} ${count}`);
    await shot(`${name}-top`);
    await page.$eval("#band", (band) => band.scrollIntoView());
    await settled();
    await shot(`${name}-band`);
    await page.$eval("#channels", (part) => part.scrollIntoView());
    await settled();
    await shot(`${name}-channels`);
    await shot(`${name}-whole`, true);
  }
});

test("keys zoom, pan, step and go back", async () => {
  await open(1280, 900);
  await page.focus("#view");
  const all = await seen();
  assert.equal(all.from, 0);
  await press("+", "+", "+");
  const close = await seen();
  assert.ok(Math.abs((close.to - close.from) / (all.to - all.from) - 0.6 ** 3) < 1e-3, JSON.stringify(close));
  await press("ArrowRight");
  const right = await seen();
  assert.ok(Math.abs(right.from - close.from - 0.1 * (close.to - close.from)) < 1e-3);
  await press("ArrowLeft");
  assert.deepEqual(await seen(), close);
  await page.keyboard.down("Shift");
  await press("ArrowLeft");
  await page.keyboard.up("Shift");
  assert.ok((await seen()).from < close.from - 0.4 * (close.to - close.from));
  await press("-");
  assert.ok((await seen()).to - (await seen()).from > close.to - close.from);
  await press("PageUp", "PageUp");
  const fewer = await seen();
  assert.ok(fewer.high - fewer.low < 0.6 * (all.high - all.low), JSON.stringify(fewer));
  await press("ArrowUp");
  assert.ok((await seen()).low > fewer.low);
  await press("Home");
  assert.deepEqual(await seen(), all);
});

test("keys step through what was sent, and it is read out whole", async () => {
  await open(1280, 900);
  await page.focus("#view");
  const { sent, stations } = await data();
  await press(".");
  const name = stations[sent.n[0]][0];
  const first = await readout();
  assert.ok(first.startsWith(`${(sent.t[0] / 1e6).toFixed(6)} s`), first);
  for (const part of [`slot ${sent.s[0]}`, name, `channel ${sent.c[0]},`, "MHz", "header in a sync slot",
    `heard by ${sent.h[0]} of ${sent.w[0]}`]) assert.ok(first.includes(part), `${part}: ${first}`);
  await press(".", ".");
  assert.ok((await readout()).includes(`channel ${sent.c[2]},`));
  await press(",");
  assert.ok((await readout()).includes(`channel ${sent.c[1]},`));
  for (let i = 0; i < 40; i += 1) await page.keyboard.press("+");
  await settled();
  const close = await seen();
  assert.ok(close.to - close.from < 0.2, "as close as a few slots");
  await shot("close");
  // Far to the right the picture follows.
  for (let i = 0; i < 30; i += 1) await page.keyboard.press(".");
  await settled();
  assert.ok((await seen()).from > close.from);
  await press("Escape");
  assert.equal(await readout(), "Nothing chosen.");
});

test("the pointer reads out transmissions, interference and states", async () => {
  await open(1280, 900);
  await page.$eval("#view", (view) => view.scrollIntoView());
  await settled();
  const box = await (await page.$("#field")).boundingBox();
  const { stations } = await data();
  const found = new Set();
  for (let x = 140; x < box.width - 12 && found.size < 4; x += 17) {
    for (let y = 6; y < box.height - 30; y += 29) {
      await page.mouse.move(box.x + x, box.y + y);
      const words = await readout();
      if (/slot \d+ · .*channel \d+, .*(payload|header).*heard by \d+ of/.test(words)) found.add("heard");
      if (/payload.*heard by none of \d+.*an interferer was on the channel/.test(words)) found.add("lost");
      if (/MHz · faulty emitter.*\(simulated\)$/.test(words)) found.add("interferer");
      if (/^[\d.]+ s · channel \d+, [\d.]+ MHz$/.test(words)) found.add("nothing");
    }
  }
  assert.deepEqual([...found].sort(), ["heard", "interferer", "lost", "nothing"]);
  const rows = await (await page.$("#rows")).boundingBox();
  const states = new Set();
  for (let x = 136; x < rows.width - 12; x += 4) {
    await page.mouse.move(rows.x + x, rows.y + 8);
    const match = /^[\d.]+ s · (.*) \(..\) is (.*), from [\d.]+ s to [\d.]+ s$/.exec(await readout());
    assert.ok(match && match[1] === stations[0][0], await readout());
    states.add(match[2]);
  }
  for (const state of ["in step", "speaking", "told busy", "called"]) assert.ok(states.has(state), state);
});

test("wheel and mouse move it, and the wheel only where it is wanted", async () => {
  await open(1280, 900);
  await page.$eval("#view", (view) => view.scrollIntoView());
  await settled();
  const all = await seen(), box = await (await page.$("#field")).boundingBox();
  const at = [box.x + 700, box.y + 100];
  await page.mouse.move(...at);
  const before = await page.evaluate(() => window.scrollY);
  await page.mouse.wheel({ deltaY: -200 });
  await new Promise((done) => setTimeout(done, 200));
  assert.deepEqual(await seen(), all, "not clicked: the wheel scrolls the page");
  assert.ok(await page.evaluate(() => window.scrollY) < before);
  await page.$eval("#view", (view) => view.scrollIntoView());
  await page.mouse.click(...at);
  await page.mouse.wheel({ deltaY: -400 });
  await settled();
  await new Promise((done) => setTimeout(done, 200));
  const close = await seen();
  const span = close.to - close.from;
  assert.ok(Math.abs(span / (all.to - all.from) - Math.exp(-1)) < 0.01, JSON.stringify(close));
  await page.mouse.down();
  await page.mouse.move(at[0] - 107, at[1], { steps: 5 });
  await page.mouse.up();
  await settled();
  const dragged = await seen();
  assert.ok(dragged.from > close.from && Math.abs(dragged.to - dragged.from - span) < 1e-3);
  const share = 107 / (box.width - 132 - 8);
  assert.ok(Math.abs((dragged.from - close.from) / span - share) < 0.01, JSON.stringify([close, dragged]));
});

test("long silences can be put back, and buttons do what they say", async () => {
  await open(1280, 900);
  const short = await seen();
  await page.click("#skip");
  await settled();
  const long = await seen();
  assert.ok(short.to < 400 && long.to > 14_000, JSON.stringify([short, long]));
  await page.click("#skip");
  await settled();
  assert.deepEqual(await seen(), short);
  await page.click("[data-do=in]");
  await settled();
  assert.ok((await seen()).to - (await seen()).from < 0.51 * short.to);
  await page.click("[data-do=all]");
  await settled();
  assert.deepEqual(await seen(), short);
  // The time of an event leads to it, and focus goes along.
  const events = await page.$$("[data-at]");
  await events[events.length - 2].click();
  await settled();
  const there = await seen();
  assert.ok(there.to - there.from < 7 && there.to > short.to * 0.8, JSON.stringify(there));
  assert.equal(await page.evaluate(() => document.activeElement.id), "view");
});

test("the tab key reaches everything, in the order of the page, and focus can be seen", async () => {
  await open(1280, 900);
  const order = [];
  for (let i = 0; i < 120; i += 1) {
    await page.keyboard.press("Tab");
    const here = await page.evaluate(() => {
      const of = document.activeElement;
      if (of === document.body) return null;
      const style = getComputedStyle(of);
      return {
        what: of.id || of.dataset.do || of.getAttribute("aria-label") || of.textContent,
        top: of.getBoundingClientRect().top + window.scrollY,
        outline: of.tagName === "AUDIO" || (style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2),
      };
    });
    if (!here) break;
    assert.ok(here.outline, `${here.what} has no visible focus`);
    order.push(here);
  }
  const names = order.map((o) => o.what);
  assert.equal(names[0], "Skip to the outcome");
  for (const name of ["earlier", "later", "in", "out", "all", "skip", "view"]) assert.ok(names.includes(name), name);
  const tops = order.slice(1).map((o) => Math.round(o.top));
  assert.deepEqual(tops, [...tops].sort((a, b) => a - b), "from top to bottom");
});

// WCAG 2.2, success criteria 1.4.3 and 1.4.11 (ratios from memory): 4.5 for text, 3 for graphics.
const luminance = (rgb) => {
  const [r, g, b] = rgb.map((v) => v / 255).map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
};
const contrast = (a, b) => {
  const [low, high] = [luminance(a), luminance(b)].sort((x, y) => x - y);
  return (high + 0.05) / (low + 0.05);
};
test("colours stand off their ground: light, dark and on paper", async () => {
  assert.ok(Math.abs(contrast([0, 0, 0], [255, 255, 255]) - 21) < 1e-9);
  for (const media of [{ scheme: "light" }, { scheme: "dark" }, { type: "print" }]) {
    await open(1280, 900, media);
    const colour = await page.evaluate(() => {
      const style = getComputedStyle(document.documentElement), out = {};
      for (const name of ["paper", "card", "ink", "soft", "link", "heard", "lost", "idle", "tint", "hatch",
        "quiet", "speak", "band", "good", "bad", "focus"]) {
        const hex = style.getPropertyValue("--" + name).trim().slice(1);
        const full = hex.length === 3 ? [...hex].map((c) => c + c).join("") : hex;
        out[name] = [0, 2, 4].map((at) => parseInt(full.slice(at, at + 2), 16));
      }
      return out;
    });
    const where = JSON.stringify(media);
    for (const text of ["ink", "soft", "link", "good", "bad"]) {
      for (const ground of ["paper", "card"]) {
        const ratio = contrast(colour[text], colour[ground]);
        assert.ok(ratio >= 4.5, `${where}: ${text} on ${ground}: ${ratio.toFixed(2)}`);
      }
    }
    for (const [mark, grounds] of [["heard", ["paper", "tint"]], ["lost", ["paper", "tint"]],
      ["idle", ["paper", "tint"]], ["speak", ["paper"]], ["band", ["paper"]], ["focus", ["paper"]],
      ["hatch", ["tint"]], ["soft", ["quiet"]]]) {
      for (const ground of grounds) {
        const ratio = contrast(colour[mark], colour[ground]);
        assert.ok(ratio >= 3, `${where}: ${mark} on ${ground}: ${ratio.toFixed(2)}`);
      }
    }
  }
});

test("dark and paper are drawn anew", async () => {
  await open(1280, 900, { scheme: "dark" });
  await page.$eval("#band", (band) => band.scrollIntoView());
  await settled();
  assert.ok((await painted("field", ["heard"])).heard > 1000, "in the dark scheme's colours");
  await shot("dark-band");
  await shot("dark-whole", true);
  await page.emulateMediaType("print");
  await settled();
  assert.ok((await painted("field", ["heard"])).heard > 1000, "in the colours of paper");
  assert.equal(await page.$eval(".tools", (tools) => getComputedStyle(tools).display), "none");
  await page.setViewport({ width: 794, height: 1123 });
  await settled();
  const overflow = await page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
  assert.equal(overflow, 0, "on paper nothing is cut off at the side");
  await shot("print-whole", true);
  const pdf = await page.pdf({ format: "A4", printBackground: false });
  fs.writeFileSync(path.join(pictures, "print.pdf"), pdf);
  const pages = Buffer.from(pdf).toString("latin1").match(/\/Type\s*\/Page\b/g).length;
  assert.ok(pages >= 4 && pages <= 14, `${pages} sheets`);
});

test("the sounds can be played", async () => {
  await open(1280, 900);
  const lengths = await page.$$eval("audio", (players) => Promise.all(players.map((player) =>
    new Promise((done) => {
      if (player.readyState >= 1) done(player.duration);
      player.addEventListener("loadedmetadata", () => done(player.duration));
      player.addEventListener("error", () => done(-1));
      player.load();
    }))));
  assert.equal(lengths.length, 5);
  assert.ok(lengths.every((seconds) => seconds > 2 && seconds < 60), JSON.stringify(lengths));
});

test("without scripts the tables still stand", async () => {
  await page.setJavaScriptEnabled(false);
  await page.goto(page_url, { waitUntil: "load" });
  assert.equal(await page.$$eval("[data-check]", (rows) => rows.length), results.checks.length);
  assert.equal(await page.$eval("#picture", (p) => getComputedStyle(p).display), "none");
  await page.setJavaScriptEnabled(true);
});

test("nothing was said on the console, and nothing was asked of the network", async () => {
  assert.deepEqual(said, []);
  // The browser draws its own players' buttons from data; the page has none (sim-host/tests/report.rs).
  const loaded = asked.filter((url) => !url.startsWith("data:image/svg+xml;"));
  const outside = loaded.filter((url) => !url.startsWith("file:"));
  assert.deepEqual(outside, []);
  const dir = pathToFileURL(path.resolve(folder) + path.sep).href;
  assert.ok(loaded.length > 0 && loaded.every((url) => url.startsWith(dir)), JSON.stringify(asked));
});
