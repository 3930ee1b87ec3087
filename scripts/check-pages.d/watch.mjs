// Follows the page of a running copy in a browser: figures move, every page ends with the copy, and nothing is wrong with
// what is seen on the way.
import { writeFile } from "node:fs/promises";
import path from "node:path";
import { VIEWS, judge, open, picture, start } from "./browser.mjs";

const [address, rate, folder] = process.argv.slice(2);
const browser = await start();
const wrong = [];
const say = (what, faults) => {
  for (const fault of faults) wrong.push(`${what}: ${fault}`);
  console.log(`${what}: ${faults.length === 0 ? "nothing wrong" : `${faults.length} faults`}`);
};
const words = (page, id) => page.$eval(id, (element) => element.textContent);
/** Waits until the page says something. */
const until = (page, id, text, seconds) =>
  page.waitForFunction((id, text) => document.querySelector(id).textContent.includes(text), { timeout: seconds * 1000, polling: 200 }, id, text);
/** How many layers of safe bytes are drawn. */
const layers = (page) => page.$eval("#safe-wide-title", (title) => title.closest("svg").querySelectorAll("[data-layer]").length);

try {
  const watched = await Promise.all(VIEWS.map(async (view) => ({ view, ...(await open(browser, address, view)) })));
  await until(watched[0].page, "#state", "Copying", 60);
  // Without script the page is a snapshot that loads itself anew.
  const plain = await browser.newPage();
  await plain.setJavaScriptEnabled(false);
  await plain.goto(address);
  // While it loads itself it has no content.
  const share = async () => (await plain.content().catch(() => "")).match(/class="share">.*?<\/p>/)?.[0];
  const before = await share();
  // The page loads itself every 5 s, and only what is made durable counts, which is every 5 s too.
  let after = before;
  for (let tries = 0; tries < 20 && before === after; tries++) {
    await new Promise((resolve) => setTimeout(resolve, 1000));
    after = (await share()) ?? before;
  }
  if (!before || before === after) wrong.push(`without script the page stays at ${before}`);
  console.log(`without script: ${before} → ${after}`);
  for (const { page, view } of watched) {
    await until(page, "#state", "Copying", 60);
    const first = await words(page, ".share");
    await page.waitForFunction((first) => document.querySelector(".share").textContent !== first, { timeout: 30000, polling: 200 }, first);
    const second = await words(page, ".share");
    await page.waitForFunction((second) => document.querySelector(".share").textContent !== second, { timeout: 30000, polling: 200 }, second);
    console.log(`${view.name}: ${first} → ${await words(page, ".share")}`);
    if ((await layers(page)) === 0) wrong.push(`${view.name}: nothing is drawn of what is safe`);
    if (!(await page.title()).includes("safe, copying")) wrong.push(`${view.name}: the title is ${await page.title()}`);
    say(`${view.name}, while it runs`, (await judge(page)).faults);
    if (folder) await picture(page, path.join(folder, `running-${view.name}.png`));
  }
  await writeFile(rate, "1000M");
  for (const { page, view, complaints } of watched) {
    await until(page, "#state", "Complete: all ", 240);
    say(`${view.name}, at the end`, (await judge(page)).faults);
    if (!(await words(page, ".share")).startsWith("100 %")) wrong.push(`${view.name}: ended at ${await words(page, ".share")}`);
    if (folder) await picture(page, path.join(folder, `over-${view.name}.png`));
    say(`${view.name}, what the browser complains of`, complaints);
  }
} catch (error) {
  wrong.push(error.stack);
} finally {
  await browser.close();
}
for (const fault of wrong) console.error(fault);
process.exit(wrong.length === 0 ? 0 : 1);
