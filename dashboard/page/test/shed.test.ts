/** The custodian's main path, on the real daemon: what each engine waits for, and the way to it. */
import { fileURLToPath } from "node:url";
import type { Browser } from "playwright-core";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { violations } from "./axe.ts";
import { launch, open } from "./browser.ts";
import { demo } from "./daemon.ts";
import { wire, type Wire } from "./wire.ts";

const bin = process.env["ASHLAMP_BIN"] ?? fileURLToPath(new URL("../../../bin/ashlamp", import.meta.url));

let browser: Browser;
let daemon: Awaited<ReturnType<typeof demo>>;
let line: Wire;

beforeAll(async () => {
  daemon = await demo(bin);
  line = await wire(daemon.url);
  browser = await launch();
}, 60_000);

afterAll(async () => {
  await browser?.close();
  await line?.close();
  await daemon?.close();
});

const sizes = [
  { name: "phone", width: 390, height: 844 },
  { name: "tablet", width: 1280, height: 800 },
  { name: "tablet upright", width: 800, height: 1280 },
];

describe.each(sizes)("the shed on a $name", (size) => {
  it("has every engine with its verdict and what it waits for, and leads to the pit", async () => {
    const page = await open(browser, `${line.url}#/shed`, { viewport: size }, { person: "R. Penhalow" });
    await page.waitForSelector(".shed-engine .shed-bold");
    expect((await page.locator(".shed-engine h2").allInnerTexts()).sort()).toEqual(["Marrow", "Quillet"]);
    for (const word of await page.locator(".shed-verdict").allInnerTexts()) expect(word).toMatch(/^(proven|not yet|cannot tell|\d\d:\d\d)$/);
    const small = await page.locator("a, button, input").evaluateAll((all) => all.filter((e) => e.getBoundingClientRect().height < 47.5).map((e) => e.textContent));
    expect(small, "nothing too low for a glove").toEqual([]);
    expect(await page.evaluate(() => document.documentElement.scrollWidth)).toBeLessThanOrEqual(size.width);
    expect(await violations(page)).toEqual([]);

    line.cut();
    await page.waitForSelector(".shed-lost .shed-quiet");
    expect(await page.locator(".shed-quiet").innerText()).toMatch(/^Heard last .*\d\d:\d\d/);
    for (const word of await page.locator(".shed-verdict").allInnerTexts()) expect(word).toMatch(/^(cannot tell|\d\d:\d\d)$/);
    expect(await page.locator(".shed-open-bar, .shed-chevron").count(), "no forecast from a dead link").toBe(0);
    line.mend();
    await page.waitForSelector(".shed:not(.shed-lost)", { timeout: 30_000 });

    await page.locator(".shed-open").and(page.getByLabel(/^Marrow/)).click();
    await page.waitForSelector(".sheet");
    await expect.poll(() => page.locator(".engines strong").innerText()).toBe("Marrow");
    await page.context().close();
  });
});
