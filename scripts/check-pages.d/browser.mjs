// Debian's Chromium, driven: what every check shares.
import { readFile } from "node:fs/promises";
import { createRequire } from "node:module";
import puppeteer from "puppeteer-core";

const axe = await readFile(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

/** How a page is looked at: window in CSS pixels, and what the reader prefers. */
export const VIEWS = [
  { name: "light", width: 1000, height: 900, scheme: "light" },
  { name: "dark", width: 1000, height: 900, scheme: "dark" },
  { name: "phone", width: 360, height: 740, scheme: "light" },
];

/** Starts the browser. It loads nothing by itself, and runs as root only because the tests do. */
export function start() {
  const args = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"];
  return puppeteer.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", headless: true, args });
}

/** Opens an address. What the page complains of (scripts, refused styles, missing files) is collected in `complaints`. */
export async function open(browser, address, view) {
  const page = await browser.newPage();
  const complaints = [];
  page.on("pageerror", (error) => complaints.push(`script: ${error.message}`));
  page.on("console", (message) => {
    const where = message.location().url ?? "";
    // A browser asks for this by itself, whatever the page says.
    if (message.type() === "error" && !where.endsWith("/favicon.ico")) complaints.push(`console: ${message.text()}`);
  });
  await page.setViewport({ width: view.width, height: view.height });
  await page.emulateMediaFeatures([{ name: "prefers-color-scheme", value: view.scheme }]);
  await page.goto(address, { waitUntil: "load" });
  return { page, complaints };
}

/** What axe-core finds wrong, and overflow sideways. */
export async function judge(page) {
  // Evaluated by the browser's debugger, which the page's own content policy does not bind.
  await page.evaluate(axe);
  const found = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ["violations"] }));
  const faults = found.violations.map(
    (fault) => `${fault.impact} ${fault.id}: ${fault.help}\n    ${fault.nodes.map((node) => node.target.join(" ")).slice(0, 5).join("\n    ")}`,
  );
  const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  if (over > 0) faults.push(`the page is ${over} pixels wider than its window`);
  return { faults, passed: found.passes.length };
}

/** On how many sheets of A4 the page prints. */
export async function sheets(page) {
  const printed = Buffer.from(await page.pdf({ format: "A4", preferCSSPageSize: true })).toString("latin1");
  return printed.match(/\/Type\s*\/Page\b/g).length;
}

/** A picture of the whole page. */
export async function picture(page, path) {
  await page.bringToFront();
  await page.screenshot({ path, fullPage: true });
}
