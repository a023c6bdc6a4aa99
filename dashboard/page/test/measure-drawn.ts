/**
 * Notes when a figure of a page has been drawn, for a bench that knows when it was
 * sent: prints "watching" once the figure is there, and after a time one line of JSON
 * with each figure and the moment (ms since the epoch) at which its frame was done.
 *
 *     tsx test/measure-drawn.ts URL SELECTOR MILLISECONDS
 */
import { launch, open } from "./browser.ts";

interface Drawn {
  readonly figure: string;
  readonly at: number;
}

const [url = "", selector = "", span = "10000"] = process.argv.slice(2);
const browser = await launch();
try {
  const page = await open(browser, url, {}, { person: "R. Penhalow" });
  await page.waitForSelector(selector);
  // tsx keeps the names of functions by a helper, which the page does not have.
  await page.evaluate("globalThis.__name = (f) => f");
  await page.evaluate((selector) => {
    const all: Drawn[] = [];
    Object.assign(window, { drawn: all });
    let last = "";
    let waits = false;
    const look = (): void => {
      // The first text alone: what follows it is the unit.
      const figure = document.querySelector(selector)?.firstChild?.textContent?.trim() ?? "";
      if (figure === last || waits) return;
      last = figure;
      waits = true;
      // A task posted from the frame runs once the frame is made.
      requestAnimationFrame(() => {
        const done = new MessageChannel();
        done.port1.onmessage = () => {
          waits = false;
          all.push({ figure, at: Date.now() });
          look();
        };
        done.port2.postMessage(null);
      });
    };
    new MutationObserver(look).observe(document.body, { subtree: true, childList: true, characterData: true });
  }, selector);
  console.log("watching");
  await page.waitForTimeout(Number(span));
  console.log(JSON.stringify(await page.evaluate(() => (window as unknown as { drawn: Drawn[] }).drawn)));
} finally {
  await browser.close();
}
