// Opens pages light, dark and as wide as a phone, says what is wrong with them, and on how many sheets they print.
import { existsSync } from "node:fs";
import path from "node:path";
import { pathToFileURL } from "node:url";
import { VIEWS, judge, open, picture, sheets, start } from "./browser.mjs";

const words = process.argv.slice(2);
const at = words.indexOf("--pictures");
const folder = at < 0 ? null : words.splice(at, 2)[1];
if (words.length === 0) {
  console.error("usage: check-pages [--pictures FOLDER] ADDRESS|FILE...");
  process.exit(2);
}

const browser = await start();
let wrong = 0;
try {
  for (const [number, word] of words.entries()) {
    const address = existsSync(word) ? pathToFileURL(path.resolve(word)).href : word;
    for (const view of VIEWS) {
      const { page, complaints } = await open(browser, address, view);
      const { faults, passed } = await judge(page);
      for (const fault of [...complaints, ...faults]) {
        console.error(`${word} (${view.name}): ${fault}`);
        wrong += 1;
      }
      if (passed === 0) throw new Error("no rule applied: there is nothing on this page");
      console.log(`${word} (${view.name}): ${passed} rules passed, ${faults.length} violated`);
      if (folder) await picture(page, path.join(folder, `${number + 1}-${view.name}.png`));
      if (view === VIEWS[0]) console.log(`${word} prints on ${await sheets(page)} sheets of A4`);
      await page.close();
    }
  }
} finally {
  await browser.close();
}
process.exit(wrong === 0 ? 0 : 1);
