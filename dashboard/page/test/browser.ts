/** One headless browser for the tests, Debian's own. */
import { chromium, type Browser, type BrowserContextOptions, type Page } from "playwright-core";

export const browserPath = process.env["CHROMIUM"] ?? "/usr/bin/chromium";

/** A place of the page is opened as it is told by the address; without one it is the pit, on a phone too. */
const placed = (url: string): string => (url.includes("#") ? url : `${url}#/pit`);

/** `letters` is the person's own size of text in px, as set in the browser; `more` are arguments of one test. */
export const launch = (letters = 16, more: readonly string[] = []): Promise<Browser> =>
  chromium.launch({
    executablePath: browserPath,
    args: [
      `--blink-settings=defaultFontSize=${letters}`,
      "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync",
      ...more,
    ],
  });

/** The worker that keeps the page is asked for by name: a test sees what the server serves. */
export async function open(b: Browser, url: string, options: BrowserContextOptions = {}, own: Record<string, string> = {}): Promise<Page> {
  const context = await b.newContext({ viewport: { width: 1280, height: 800 }, serviceWorkers: "block", ...options });
  await context.addInitScript((kept) => {
    for (const [k, v] of Object.entries(kept)) localStorage.setItem(`ashlamp.${k}`, v);
  }, own);
  const page = await context.newPage();
  await page.goto(placed(url));
  return page;
}

