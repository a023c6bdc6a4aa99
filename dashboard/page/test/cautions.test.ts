/**
 * Beside each step stand its cautions, whichever way the tablet is held; at the foot of
 * every view stands the advice line; and no view breaks a rule of WCAG 2.2 AA.
 */
import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { violations } from "./axe.ts";
import { launch, open } from "./browser.ts";
import { demo } from "./daemon.ts";

const bin = process.env["ASHLAMP_BIN"] ?? fileURLToPath(new URL("../../../bin/ashlamp", import.meta.url));
const wanted = readFileSync(new URL("../../../testdata/published/cautions.tsv", import.meta.url), "utf8")
  .split("\n")
  .filter((l) => l && !l.startsWith("#"))
  .map((l) => l.split("\t") as [string, string]);
const steps = [...new Set(wanted.map(([step]) => step))];

const sizes = [
  { name: "tablet", width: 1280, height: 800 },
  { name: "tablet upright", width: 800, height: 1280 },
  { name: "phone", width: 390, height: 844 },
];
const views = ["pit", "shed", "years", "set-up"];

let browser: Browser;
let daemon: Awaited<ReturnType<typeof demo>>;

beforeAll(async () => {
  daemon = await demo(bin, 1);
  browser = await launch();
}, 60_000);

afterAll(async () => {
  await browser?.close();
  await daemon?.close();
});

async function withPage(path: string, viewport: { width: number; height: number }, own: Record<string, string>, f: (p: Page) => Promise<void>): Promise<void> {
  const page = await open(browser, daemon.url + path, { viewport }, { person: "R. Penhalow", ...own });
  try {
    await f(page);
  } finally {
    await page.context().close();
  }
}

const plain = (s: string): string => s.replace(/\u2019/g, "'").toLowerCase();

describe.each(sizes)("on a $name", (size) => {
  it("each step's cautions stand beside it", () =>
    withPage("#/pit", size, {}, async (page) => {
      await page.waitForSelector(".lane-touch");
      expect(await page.locator(".beware").innerText(), "under the step in front, without a touch").not.toBe("");
      const fold = page.locator(".lane-fold .lane-touch");
      for (const step of steps) {
        // An opened lane takes room, and others fold: they are spread out by hand, once.
        if ((await fold.count()) > 0) await fold.first().click();
        const lane = page.locator(`.lane-touch[aria-controls="reasons-${step}"]`);
        await lane.click();
        const told = plain(await page.locator(`#reasons-${step}`).innerText());
        for (const [, words] of wanted.filter(([s]) => s === step)) expect(told, step).toContain(plain(words));
        await lane.click();
      }
    }));

  it.each(views)("the foot of #/%s has the advice and whose word comes first", (view) =>
    withPage(`#/${view}`, size, {}, async (page) => {
      const advice = page.locator(".foot .advice");
      await advice.waitFor();
      const told = await advice.innerText();
      expect(told).toContain("Advice only: operates nothing, holds nothing shut.");
      expect(told).toContain("The competent person and local codes come first.");
      const said = plain(await page.locator("body").innerText());
      expect(said).not.toMatch(/\b(all clear|you may|guaranteed|certified|interlock)\b|\b(is|are) safe\b/);
      const wide = await page.evaluate(() => document.documentElement.scrollWidth);
      expect(wide, "nothing leaves the page sideways").toBeLessThanOrEqual(size.width);
    }));

  it.each(["day", "night", "sun"])("no view breaks a rule of WCAG 2.2 AA by %s", async (ground) => {
    for (const view of views) {
      await withPage(`#/${view}`, size, { ground }, async (page) => {
        await page.locator(".foot .advice").waitFor();
        if (view === "pit") await page.locator(".lane-front .lane-touch").click();
        expect(await violations(page), view).toEqual([]);
      });
    }
  });
});
