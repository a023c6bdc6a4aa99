/**
 * The page of rules in a real browser, served by the real daemon: the one of
 * ASHLAMP_BIN, or one built for it here.
 */
import { execFileSync } from "node:child_process";
import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { launch, open } from "./browser.ts";
import { demo } from "./daemon.ts";

let browser: Browser;
let large: Browser;
let daemon: Awaited<ReturnType<typeof demo>>;
let built = "";

beforeAll(async () => {
  let bin = process.env["ASHLAMP_BIN"];
  if (!bin) {
    built = await mkdtemp(join(tmpdir(), "ashlamp-bin-"));
    bin = join(built, "ashlamp");
    execFileSync("go", ["build", "-o", bin, "./daemon"], { cwd: fileURLToPath(new URL("../../..", import.meta.url)) });
  }
  daemon = await demo(bin, 1);
  browser = await launch();
  large = await launch(32);
}, 300_000);
afterAll(async () => {
  await browser?.close();
  await large?.close();
  await daemon?.close();
  if (built) await rm(built, { recursive: true, force: true });
});
afterEach(async () => {
  for (const b of [browser, large]) for (const c of b.contexts()) await c.close();
});

const sizes = [
  { width: 390, height: 844 },
  { width: 800, height: 1280 },
  { width: 1280, height: 800 },
];

/** Texts that lie on each other, what leaves the page, and what is drawn with too little contrast. */
const defects = (page: Page) =>
  page.evaluate(() => {
    const out: string[] = [];
    const width = document.documentElement.clientWidth;
    if (document.documentElement.scrollWidth > width) out.push(`the page is ${document.documentElement.scrollWidth} px wide on ${width}`);
    for (const d of document.querySelectorAll("details")) d.open = true;
    const nav = document.querySelector<HTMLElement>("nav.contents");
    if (nav) nav.style.cssText = "position: static; max-height: none";
    const luminance = (c: string): number => {
      const [r, g, b] = (c.match(/[\d.]+/g) ?? []).slice(0, 3).map((x) => Number(x) / 255).map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
      return 0.2126 * (r ?? 0) + 0.7152 * (g ?? 0) + 0.0722 * (b ?? 0);
    };
    const ground = (e: Element | null): string => {
      for (; e; e = e.parentElement) {
        const c = getComputedStyle(e).backgroundColor;
        if (c !== "rgba(0, 0, 0, 0)") return c;
      }
      return "rgb(255, 255, 255)";
    };
    const poor = new Set<string>();
    const letters: { t: string; r: DOMRect }[] = [];
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    for (let n = walk.nextNode(); n; n = walk.nextNode()) {
      const e = n.parentElement;
      const t = n.textContent?.trim();
      if (!e || !t) continue;
      const range = document.createRange();
      range.selectNodeContents(n);
      for (const r of range.getClientRects()) {
        if (r.right > width + 0.5 || r.left < -0.5) out.push(`leaves the page: ${t}`);
        letters.push({ t, r: new DOMRect(r.x, r.y + 0.15 * r.height, r.width, 0.7 * r.height) });
      }
      const [a, b] = [luminance(getComputedStyle(e).color), luminance(ground(e))];
      const contrast = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
      if (contrast < 7) poor.add(`${contrast.toFixed(1)}:1 of ${e.tagName} ${e.className}`);
      const size = parseFloat(getComputedStyle(e).fontSize);
      if (size < 17 || Number(getComputedStyle(e).fontWeight) < 500) poor.add(`${size} px, thin or small: ${e.tagName} ${e.className}`);
    }
    letters.sort((a, b) => a.r.top - b.r.top);
    letters.forEach((a, i) => {
      for (let j = i + 1; j < letters.length; j++) {
        const b = letters[j];
        if (!b || b.r.top > a.r.bottom) break;
        const w = Math.min(a.r.right, b.r.right) - Math.max(a.r.left, b.r.left);
        const h = Math.min(a.r.bottom, b.r.bottom) - Math.max(a.r.top, b.r.top);
        if (w > 1 && h > 1) out.push(`"${a.t}" lies on "${b.t}"`);
      }
    });
    return [...out, ...poor];
  });

describe("the page of rules", () => {
  for (const size of sizes) {
    it.each(["day", "night", "sun"])(`${size.width}x${size.height}, by %s: nothing overlaps, leaves the page or is faint`, async (ground) => {
      const page = await open(browser, `${daemon.url}rules?engine=quillet&ground=${ground}`, { viewport: size });
      await page.evaluate(() => document.fonts.ready);
      expect(await defects(page)).toEqual([]);
    });
    it(`${size.width}x${size.height}, text twice as large`, async () => {
      const page = await open(large, `${daemon.url}rules`, { viewport: size });
      await page.evaluate(() => document.fonts.ready);
      expect(await defects(page)).toEqual([]);
    });
  }

  it.each(["light", "dark"] as const)("goes by the reader's own %s setting", async (colorScheme) => {
    const page = await open(browser, `${daemon.url}rules`, { colorScheme });
    const paper = await page.evaluate(() => getComputedStyle(document.body).backgroundColor);
    expect(paper).toBe(colorScheme === "dark" ? "rgb(15, 21, 23)" : "rgb(237, 240, 232)");
    expect(await defects(page)).toEqual([]);
  });

  it("prints black on white, with what is folded away", async () => {
    const page = await open(browser, `${daemon.url}rules?ground=night`);
    await page.emulateMedia({ media: "print" });
    expect(await page.evaluate(() => [getComputedStyle(document.body).backgroundColor, getComputedStyle(document.body).color])).toEqual(["rgb(255, 255, 255)", "rgb(0, 0, 0)"]);
    expect(await page.evaluate(() => document.querySelector("details .figures")?.getBoundingClientRect().height ?? 0)).toBeGreaterThan(100);
  });

  it("is linked from the sheet, with its engine and its ground, and leads back", async () => {
    const page = await open(browser, daemon.url, {}, { person: "R. Penhalow", ground: "night", engine: "marrow" });
    await page.waitForSelector(".lane");
    await page.getByRole("link", { name: "How each rule judges" }).click();
    await page.waitForSelector("article#pressure-zero");
    expect(new URL(page.url()).pathname + new URL(page.url()).search).toBe("/rules?engine=marrow&ground=night");
    expect(await page.locator("h1").textContent()).toBe("The rules, with the values of Marrow");
    await page.getByRole("link", { name: "Quillet" }).click();
    await page.waitForFunction(() => document.querySelector("h1")?.textContent?.includes("Quillet"));
    expect(await page.evaluate(() => document.documentElement.dataset["ground"])).toBe("night");
    await page.getByRole("link", { name: "Back to the sheet" }).click();
    await page.waitForSelector(".lane");
  });

  it("opens at a rule, by its id", async () => {
    const page = await open(browser, `${daemon.url}rules#nothing-left-to-boil`, { viewport: { width: 390, height: 844 } });
    const box = await page.locator("article#nothing-left-to-boil").boundingBox();
    expect(Math.abs(box?.y ?? Infinity)).toBeLessThan(40);
  });

  it("loads nothing but from the daemon, and nothing that its policy refuses", async () => {
    const asked: string[] = [];
    const troubles: string[] = [];
    const page = await open(browser, "about:blank");
    page.on("request", (r) => asked.push(r.url()));
    page.on("console", (m) => void (m.type() === "error" && troubles.push(m.text())));
    page.on("requestfailed", (r) => troubles.push(`failed: ${r.url()}`));
    await page.goto(`${daemon.url}rules`);
    await page.evaluate(() => document.fonts.ready);
    expect(asked.filter((u) => !u.startsWith(daemon.url))).toEqual([]);
    expect(troubles).toEqual([]);
    expect(await page.evaluate(() => document.fonts.check('700 20px "Barlow Semi Condensed"'))).toBe(true);
    expect(asked.filter((u) => u.endsWith(".woff2")).length).toBeGreaterThanOrEqual(4);
  });
});
