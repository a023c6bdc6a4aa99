/** The page in a real browser, against a small real server. */
import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { launch, open } from "./browser.ts";
import { defaults, serve, type Options, type Running } from "./evening-server.ts";

let browser: Browser;
let large: Browser;
let server: Running | undefined;

beforeAll(async () => {
  browser = await launch();
  large = await launch(32);
});
afterAll(async () => {
  await browser?.close();
  await large?.close();
});
afterEach(async () => {
  for (const b of [browser, large]) for (const c of b.contexts()) await c.close();
  await server?.close();
  server = undefined;
});

const me = { person: "R. Penhalow" };

async function show(o: Partial<Options>, size = { width: 1280, height: 800 }, own: Record<string, string> = me, by = browser): Promise<Page> {
  server = await serve({ ...defaults, ...o });
  const page = await open(by, server.url, { viewport: size }, own);
  await page.waitForSelector(".lane");
  return page;
}

const posted = (): readonly string[] => server?.posted ?? [];

describe("press and hold", () => {
  const waiting = { from: 58, crew: false };
  const at = async (page: Page): Promise<{ x: number; y: number }> => {
    const b = await page.locator(".press").first().boundingBox();
    if (!b) throw new Error("no press is shown");
    return { x: b.x + 80, y: b.y + b.height / 2 };
  };

  it("sends a word held for a second, once, with who says so", async () => {
    const page = await show(waiting);
    const p = await at(page);
    await page.mouse.move(p.x, p.y);
    await page.mouse.down();
    await page.waitForSelector(".press-holding");
    await page.waitForFunction(() => !document.querySelector(".press-holding"));
    await page.mouse.up();
    await expect.poll(posted).toEqual(['POST /api/v1/engines/quillet/confirmations {"confirm":"glasses-proved","by":"R. Penhalow"}']);
    await page.waitForFunction(() => !document.body.textContent?.includes("Both glasses proved, and water in them?"));
  });

  const cancels: { name: string; by: (page: Page, p: { x: number; y: number }) => Promise<void> }[] = [
    { name: "let go too soon", by: (page) => page.mouse.up() },
    { name: "a slip", by: (page, p) => page.mouse.move(p.x + 30, p.y) },
    { name: "leaving it", by: (page, p) => page.mouse.move(p.x, p.y - 200) },
    {
      name: "a second finger",
      by: (page) =>
        page.evaluate(() => void document.body.dispatchEvent(new PointerEvent("pointerdown", { pointerId: 77, bubbles: true, isPrimary: false }))),
    },
    { name: "the page losing its focus", by: (page) => page.evaluate(() => void window.dispatchEvent(new Event("blur"))) },
  ];
  it.each(cancels)("sends nothing after $name", async ({ by }) => {
    const page = await show(waiting);
    const p = await at(page);
    await page.mouse.move(p.x, p.y);
    await page.mouse.down();
    await page.waitForSelector(".press-holding");
    await by(page, p);
    await page.waitForFunction(() => !document.querySelector(".press-holding"), undefined, { timeout: 700 });
    // A whole hold more than was begun: what would have been sent is sent by then.
    await page.evaluate(() => new Promise((done) => setTimeout(done, 1_100)));
    expect(posted()).toEqual([]);
  });

  it("is done by Enter or Space held, and not by a tap of either", async () => {
    const page = await show(waiting);
    await page.locator(".press").first().focus();
    await page.keyboard.press("Enter");
    await page.keyboard.press("Space");
    await page.evaluate(() => new Promise((done) => setTimeout(done, 1_100)));
    expect(posted()).toEqual([]);
    await page.keyboard.down("Space");
    await page.waitForFunction(() => !document.querySelector(".press-holding") && document.querySelectorAll(".press").length >= 0);
    await expect.poll(posted, { timeout: 3_000 }).toHaveLength(1);
    await page.keyboard.up("Space");
  });

  it("says plainly what was refused, and can be held again", async () => {
    const page = await show(waiting);
    server?.failNext();
    const p = await at(page);
    await page.mouse.move(p.x, p.y);
    await page.mouse.down();
    await page.waitForFunction(() => document.querySelector(".press-who")?.textContent?.startsWith("Not recorded. The confirmation was not asked for"));
    await page.mouse.up();
    expect(await page.locator(".press-waiting").count()).toBe(0);
  });

  it("asks who is there before it offers anything, and keeps it", async () => {
    const page = await show(waiting, undefined, {});
    expect(await page.locator(".press").count()).toBe(0);
    await page.getByRole("button", { name: "T. Oxley" }).click();
    expect(await page.locator(".press-who").first().textContent()).toBe("T. Oxley says so");
    expect(await page.evaluate(() => localStorage.getItem("ashlamp.person"))).toBe("T. Oxley");
  });
});

describe("lanes", () => {
  it("open their reasons, and a confirmation that stands can be taken back", async () => {
    const page = await show({ from: 84 });
    await page.getByRole("button", { name: /^Move in steam, proven/ }).click();
    expect(await page.locator(".reasons").textContent()).toMatch(/Ash pan shut.*R\. Penhalow.*By eye and ear/);
    await page.getByRole("button", { name: "take back: Ash pan shut" }).click();
    await expect.poll(posted).toEqual(["DELETE /api/v1/engines/quillet/confirmations/ash-pan-shut?by=R.%20Penhalow {}"]);
  });
  it("open by keyboard", async () => {
    const page = await show({ from: 84 });
    await page.locator(".lane-touch").nth(2).focus();
    await page.keyboard.press("Enter");
    expect(await page.locator(".reasons").count()).toBe(1);
  });
});

describe("what a person chooses", () => {
  it("is kept on the device: ground, units, engine", async () => {
    const page = await show({ from: 84 });
    await page.locator(".choose").click();
    for (const w of ["night", "psi", "\u00b0F"]) await page.locator(".choices").getByRole("button", { name: w, exact: true }).click();
    await page.getByRole("button", { name: "show Marrow" }).click();
    await page.reload();
    await page.waitForSelector(".lane");
    expect(await page.locator("html").getAttribute("data-ground")).toBe("night");
    expect(await page.locator(".figure small").first().textContent()).toBe("psi");
    expect(await page.locator(".engines strong").textContent()).toBe("Marrow");
    expect(await page.locator(".reason").textContent()).not.toMatch(/ bar\b/);
  });
});

/** Texts that lie on each other or leave the page, what is cut, and targets too low for a gloved hand. */
const defects = (page: Page) =>
  page.evaluate(() => {
    const foot = document.querySelector("footer");
    if (foot) foot.style.position = "static";
    const out: string[] = [];
    const texts: { t: string; r: DOMRect; e: Element }[] = [];
    const walk = document.createTreeWalker(document.querySelector("main") ?? document.body, NodeFilter.SHOW_TEXT);
    for (let n = walk.nextNode(); n; n = walk.nextNode()) {
      const e = n.parentElement;
      if (!e || !n.textContent?.trim() || e.closest(".aloud, .press-over, noscript") || getComputedStyle(e).visibility === "hidden") continue;
      const range = document.createRange();
      range.selectNodeContents(n);
      for (const r of range.getClientRects()) {
        // The box of a line is taller than its letters.
        const letters = new DOMRect(r.x, r.y + 0.15 * r.height, r.width, 0.7 * r.height);
        texts.push({ t: n.textContent.trim(), r: letters, e });
      }
    }
    const width = document.documentElement.clientWidth;
    if (document.documentElement.scrollWidth > width) out.push(`the page is ${document.documentElement.scrollWidth} px wide on ${width}`);
    texts.forEach((a, i) => {
      if (a.r.left < -0.5 || a.r.right > width + 0.5) out.push(`leaves the page: ${a.t}`);
      for (const b of texts.slice(i + 1)) {
        const w = Math.min(a.r.right, b.r.right) - Math.max(a.r.left, b.r.left);
        const h = Math.min(a.r.bottom, b.r.bottom) - Math.max(a.r.top, b.r.top);
        if (w > 1 && h > 1) out.push(`"${a.t}" lies on "${b.t}"`);
      }
    });
    for (const e of document.querySelectorAll<HTMLElement>(".stamp, .open-bar, .press, .lane .name span, .slot")) {
      if (e.scrollWidth > e.clientWidth + 2 && e.clientWidth > 0) out.push(`is cut: ${e.textContent}`);
    }
    const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
    for (const e of document.querySelectorAll("button")) {
      const h = e.getBoundingClientRect().height;
      if (h < Math.min(48, 3 * rem) - 0.5) out.push(`is ${h} px high: ${e.getAttribute("aria-label") ?? e.textContent}`);
    }
    return out;
  });

describe("nothing overlaps, leaves the page, is cut or too low", () => {
  const sizes = [
    { width: 1280, height: 800 },
    { width: 800, height: 1280 },
    { width: 390, height: 844 },
    { width: 1024, height: 768 },
  ];
  const moments: { name: string; o: Partial<Options> }[] = [
    { name: "fire in", o: { from: 12 } },
    { name: "before the blow-down", o: { from: 87 } },
    { name: "plugs proven", o: { from: 122 } },
    { name: "a vacuum", o: { from: 220, fault: "vacuum" } },
    { name: "a sensor missing", o: { from: 90, fault: "pressure-missing" } },
    { name: "an empty store", o: { empty: true } },
    { name: "late", o: { from: 300 } },
  ];
  for (const size of sizes) {
    it.each(moments)(`${size.width}x${size.height}, $name`, async ({ o }) => {
      const page = await show(o, size);
      await page.evaluate(() => document.fonts.ready);
      await page.waitForFunction(() => document.querySelector(".sheet .curve, .sheet .empty"));
      expect(await defects(page)).toEqual([]);
    });
    it(`${size.width}x${size.height}, the link lost and a lane open`, async () => {
      const page = await show({ from: 87 }, size);
      await page.evaluate(() => document.fonts.ready);
      await page.locator(".lane-touch").nth(1).click();
      expect(await defects(page)).toEqual([]);
      server?.cut(true);
      await page.waitForSelector(".stopped");
      expect(await defects(page)).toEqual([]);
    });
    it(`${size.width}x${size.height}, text twice as large`, async () => {
      const page = await show({ from: 87 }, size, me, large);
      await page.evaluate(() => document.fonts.ready);
      expect(await defects(page)).toEqual([]);
    });
  }
});

describe("what is heard", () => {
  it("nothing yet: says so and offers nothing", async () => {
    server = await serve(defaults);
    server.cut(true);
    const page = await open(browser, server.url, {}, me);
    await page.waitForFunction(() => document.querySelector("h1")?.textContent === "Nothing heard yet.");
    expect(await page.locator(".press").count()).toBe(0);
    server.cut(false);
    await page.waitForSelector(".lane", { timeout: 5_000 });
  });

  it("a sensor that is missing turns its figure and its steps, and nothing else", async () => {
    const page = await show({ from: 90, fault: "pressure-missing" });
    expect(await page.locator(".fall .figure-outline").count()).toBe(1);
    expect(await page.locator(".heat .figure-full").count()).toBe(2);
    expect(await page.locator("h1").textContent()).toBe("Move in steam: cannot tell.");
  });

  it("the sentence stands in a live region", async () => {
    const page = await show({ from: 84 });
    expect(await page.locator('[role="status"]').textContent()).toContain("Move in steam: proven.");
  });
});
