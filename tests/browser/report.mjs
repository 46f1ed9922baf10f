// Opens a report in a headless browser with the network blocked and checks what a
// reader would meet: node report.mjs REPORT.html [--pictures FOLDER]
//
// The browser is $CHROMIUM, or `chromium` on the PATH. Accessibility rules: axe-core.

import { execFileSync } from "node:child_process";
import { mkdirSync, readFileSync, statSync } from "node:fs";
import { createRequire } from "node:module";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import puppeteer from "puppeteer-core";

const LARGEST_BYTES = 1.5e6;
const LONGEST_MS = 1000;
const WIDTHS = [360, 768, 1280];
// Width between the margins of `@page`, and height, in CSS pixels (96 per inch).
const PAPERS = { A4: [210 - 24, 297 - 28], Letter: [215.9 - 24, 279.4 - 28] };
const px = (mm) => (mm / 25.4) * 96;

const [report, , folder] = process.argv.slice(2);
if (!report) {
  console.error("usage: node report.mjs REPORT.html [--pictures FOLDER]");
  process.exit(2);
}
const url = pathToFileURL(resolve(report)).href;
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const executablePath =
  process.env.CHROMIUM ?? execFileSync("which", ["chromium"], { encoding: "utf8" }).trim();

const wrong = [];
const expect = (holds, what) => {
  console.log(`${holds ? "ok   " : "WRONG"} ${what}`);
  if (!holds) wrong.push(what);
};

const browser = await puppeteer.launch({
  executablePath,
  args: ["--no-sandbox", "--disable-quic", "--no-first-run", "--disable-background-networking"],
});

/** A page on the report; what it asks of the network or complains of is kept. */
async function open({ width = 1280, height = 900, scheme = "light" } = {}) {
  const page = await browser.newPage();
  page.asked = [];
  page.complaints = [];
  page.on("console", (message) => {
    if (["error", "warn"].includes(message.type())) page.complaints.push(message.text());
  });
  page.on("pageerror", (error) => page.complaints.push(String(error)));
  await page.setRequestInterception(true);
  page.on("request", (request) => {
    if (request.url() === url || request.url().startsWith("data:")) return request.continue();
    page.asked.push(request.url());
    return request.abort();
  });
  await page.setViewport({ width, height });
  await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: scheme }]);
  await page.goto(url, { waitUntil: "load" });
  return page;
}

async function opensAlone() {
  // The quickest of three: what a busy machine adds is not the page's.
  let page;
  let ms = Infinity;
  for (let time = 0; time < 3; time++) {
    page = await open();
    const own = () => performance.getEntriesByType("navigation")[0].loadEventEnd;
    ms = Math.min(ms, await page.evaluate(own));
  }
  const bytes = statSync(report).size;
  expect(bytes < LARGEST_BYTES, `${bytes} bytes, under ${LARGEST_BYTES}`);
  expect(ms > 0 && ms < LONGEST_MS, `opens in ${Math.round(ms)} ms, under ${LONGEST_MS} ms`);
  expect(page.asked.length === 0, `asks nothing of the network ${page.asked}`);
  expect(page.complaints.length === 0, `no word on the console ${page.complaints}`);
  const sections = await page.evaluate(() =>
    [...document.querySelectorAll("nav a")].map((a) => {
      const section = document.querySelector(a.getAttribute("href"));
      return {
        question: a.textContent,
        heading: section?.querySelector("h2")?.textContent,
        answer: section?.querySelector(".ans")?.textContent ?? "",
      };
    }),
  );
  expect(sections.length >= 2, `${sections.length} questions`);
  for (const { question, heading, answer } of sections) {
    expect(heading?.startsWith(question) && answer.length > 10, `“${question}” has its answer`);
  }
  const mute = await page.evaluate(
    () =>
      [...document.querySelectorAll("svg:not([aria-hidden])")].filter(
        (svg) => !svg.querySelector("title")?.textContent || !svg.querySelector("desc")?.textContent,
      ).length,
  );
  expect(mute === 0, `every picture has a title and a description (${mute} have not)`);
  await page.close();
}

/** Arrow keys on a picture over bands tell the figures of one band. */
async function tellsValues() {
  const page = await open();
  await page.focus(".scroll:has(.bandbox)");
  for (let press = 0; press < 3; press += 1) await page.keyboard.press("ArrowRight");
  const [told, band, figure] = await page.evaluate(() => {
    const box = document.querySelector(".bandbox");
    const cell = (row) => box.querySelector(row).cells[3].textContent;
    return [document.querySelector(".told").textContent, cell("thead tr"), cell("tbody tr")];
  });
  expect(told.startsWith(`${band} Hz.`) && told.includes(figure), `arrow keys tell “${told}”`);
  await page.close();
}

async function fits(width) {
  const page = await open({ width });
  const reach = await page.evaluate(() => document.documentElement.scrollWidth);
  expect(reach <= width, `nothing overflows at ${width} px (${reach})`);
  await page.close();
}

async function accessible(width, scheme) {
  const page = await open({ width, scheme });
  await page.evaluate(() => document.querySelectorAll("details").forEach((d) => (d.open = true)));
  await page.evaluate(axe);
  const { violations } = await page.evaluate(() => window.axe.run());
  const grave = violations.filter(({ impact }) => ["serious", "critical"].includes(impact));
  const told = grave.map(({ id, nodes }) => `${id}: ${nodes[0].html.slice(0, 120)} (${nodes.length})`);
  expect(grave.length === 0, `no serious violation at ${width} px, ${scheme} ${told.join("; ")}`);
  await page.close();
}

/** Letters that tell an end from others. */
const END = 24;
const plain = (text) => text.replace(/\s+/g, "");

/** The text of each page, by poppler. */
function pagesOf(pdf) {
  const text = execFileSync("pdftotext", ["-", "-"], { input: pdf, encoding: "utf8" });
  return text.split("\f").slice(0, -1).map(plain);
}

async function prints(paper) {
  const [width, height] = PAPERS[paper].map(px);
  const page = await open({ width: Math.floor(width) });
  await page.emulateMediaType("print");
  const figures = await page.evaluate(() =>
    [...document.querySelectorAll("figure, table, .caution")].map((node) => {
      const { right, height } = node.getBoundingClientRect();
      const whole = getComputedStyle(node).breakInside === "avoid";
      return { name: node.tagName + "." + node.className, right, height, whole };
    }),
  );
  const clipped = figures.filter(({ right }) => right > width + 1).map(({ name }) => name);
  expect(clipped.length === 0, `${paper}: nothing is clipped at the right ${clipped}`);
  const split = figures
    .filter(({ name, whole, height: tall }) => name.startsWith("FIGURE") && (!whole || tall > height))
    .map(({ name, height: tall }) => `${name} ${Math.round(tall)} px`);
  expect(split.length === 0, `${paper}: every figure stays on one page ${split}`);
  // Where each begins and ends: its title, and the end of its caption or of its picture;
  // of a table the title and its first row.
  const ends = await page.evaluate(() => {
    const told = (node) => node?.textContent ?? "";
    const figure = (node) => [
      told(node.querySelector("h3")),
      told(node.querySelector("figcaption") ?? [...node.querySelectorAll("svg text")].at(-1)),
    ];
    const table = (node) => [told(node.caption), told(node.tBodies[0].rows[0])];
    const open = [...document.querySelectorAll("section")].flatMap((section) => [
      ...section.querySelectorAll(":scope > figure, :scope > .scroll > table"),
    ]);
    return open.map((node) => (node.tagName === "FIGURE" ? figure(node) : table(node)));
  });
  const pdf = await page.pdf({ format: paper, preferCSSPageSize: false, printBackground: true });
  const pages = pagesOf(pdf);
  expect(pages.length > 0 && pages.length < 20, `${paper}: ${pages.length} pages`);
  const torn = ends.filter(([title, end]) => {
    const [from, to] = [plain(title), plain(end).slice(-END)];
    return !pages.some((text) => text.includes(from) && text.includes(to));
  });
  expect(ends.length > 10, `${paper}: ${ends.length} figures and tables are looked for`);
  expect(torn.length === 0, `${paper}: each begins and ends on one page ${torn.map(([t]) => t)}`);
  await page.close();
}

/** Pictures for the book: as read, as printed, without colour, with less of it. */
async function pictures() {
  mkdirSync(folder, { recursive: true });
  const shots = [
    ["light", {}],
    ["dark", { scheme: "dark" }],
    ["phone", { width: 360, height: 740 }],
    ["grey", { vision: "achromatopsia" }],
    ["deuteranopia", { vision: "deuteranopia" }],
    ["print", { width: Math.floor(px(PAPERS.A4[0])), height: Math.floor(px(PAPERS.A4[1])), media: "print" }],
  ];
  for (const [name, { vision, media, ...view }] of shots) {
    const page = await open(view);
    if (vision) await page.emulateVisionDeficiency(vision);
    if (media) await page.emulateMediaType(media);
    const path = join(folder, `report-${name}.png`);
    await page.screenshot({ path, fullPage: process.env.WHOLE === "1" });
    await page.close();
  }
}

await opensAlone();
await tellsValues();
for (const width of WIDTHS) await fits(width);
for (const width of [360, 1280]) {
  for (const scheme of ["light", "dark"]) await accessible(width, scheme);
}
for (const paper of Object.keys(PAPERS)) await prints(paper);
if (folder) await pictures();
await browser.close();
process.exit(wrong.length === 0 ? 0 : 1);
