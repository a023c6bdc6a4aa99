/** The engineer's main path in a real browser: evenings over each other, aligned, come close to, and back. */
import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { violations } from "./axe.ts";
import { launch, open } from "./browser.ts";
import { defaults, serve, type Running } from "./evening-server.ts";
import { Years } from "./years.ts";

let browser: Browser;
let large: Browser;
let server: Running | undefined;
const years = new Years("quillet", 130, Date.UTC(2026, 9, 24, 6));

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

const sizes = [
  { name: "a wide tablet", width: 1280, height: 800 },
  { name: "an upright one", width: 800, height: 1280 },
  { name: "a phone", width: 390, height: 844 },
];

async function show(at: string, size: { width: number; height: number }, own: Record<string, string> = {}, by = browser, from: { readonly answer: NonNullable<Parameters<typeof serve>[0]["also"]> } = years): Promise<Page> {
  server = await serve({ ...defaults, from: 84, also: (m, u) => from.answer(m, u) });
  const page = await open(by, server.url + at, { viewport: size }, own);
  return page;
}

/** How many evenings have their curves on the sheet. */
const laid = (page: Page): Promise<number> => page.evaluate(() => Number(document.querySelector("[data-laid]")?.getAttribute("data-laid") ?? 0));
const fits = (page: Page): Promise<boolean> => page.evaluate(() => document.documentElement.scrollWidth <= innerWidth);
const seen = (page: Page): Promise<string | null> => page.locator(".over-hand").getAttribute("aria-label");
/** Pixels of ink in the drawing, so that an empty canvas does not pass for one. */
const inked = (page: Page): Promise<number> =>
  page.evaluate(() => {
    const c = document.querySelector<HTMLCanvasElement>(".over-hand canvas");
    const d = c?.getContext("2d")?.getImageData(0, 0, c.width, c.height).data;
    let n = 0;
    for (let i = 3; d && i < d.length; i += 4) if ((d[i] ?? 0) > 200) n++;
    return n;
  });

describe.each(sizes)("on $name", (size) => {
  it("lays three evenings from the list over another, by another moment, comes close and goes back", async () => {
    const page = await show("#/years/quillet", size);
    await page.waitForSelector(".over-sheet");
    await expect.poll(() => laid(page)).toBe(3);
    await expect.poll(() => inked(page)).toBeGreaterThan(2_000);
    expect(await page.locator("h1").textContent()).toMatch(/^23 October came to zero \d+ min after fire out; the two others took \d+ and \d+\.$/);
    expect(await fits(page)).toBe(true);

    // From the list: another one under the bold one.
    const third = page.locator(".evening .evening-over-cell button[aria-pressed=false]").first();
    // Rows far below the view are not in the page, and what comes above the list moves it down.
    await expect
      .poll(async () => {
        await page.evaluate(() => document.getElementById("evenings")?.scrollIntoView({ block: "start" }));
        return third.isVisible();
      })
      .toBe(true);
    await third.scrollIntoViewIfNeeded();
    await third.click();
    await expect.poll(() => laid(page)).toBe(4);
    expect(await page.locator("h1").textContent()).toContain("the three others took");
    await expect.poll(() => page.locator(".evening-over").count()).toBe(3);
    expect(page.url()).toContain("/over/");

    // By another moment, from the same curves.
    await page.getByRole("button", { name: "zero", exact: true }).click();
    await expect.poll(() => page.locator("h1").textContent()).toMatch(/came below boiling .* after zero/);
    expect(page.url()).toContain("/by/pressure-zero");
    expect(await page.locator(".over-flag").textContent()).toBe("zero");
    await page.getByRole("button", { name: "fire out", exact: true }).click();
    await expect.poll(() => page.locator("h1").textContent()).toContain("after fire out");

    // Closer and back: by keys, by words.
    const whole = await seen(page);
    const sheet = page.locator(".over-hand");
    await sheet.focus();
    await page.keyboard.press("+");
    await page.keyboard.press("+");
    const close = await seen(page);
    expect(close).not.toBe(whole);
    await page.keyboard.press("ArrowRight");
    expect(await seen(page)).not.toBe(close);
    expect(await page.locator(".over-reading").textContent()).toMatch(/^At [+−].*: 23 October [\d.]+ bar/);
    await page.keyboard.press("Home");
    expect(await page.getByRole("button", { name: "the whole" }).isDisabled()).toBe(true);
    await page.getByRole("button", { name: "closer" }).click();
    expect(await page.getByRole("button", { name: "wider" }).isDisabled()).toBe(false);
    expect(await fits(page)).toBe(true);

    // Another evening bold is a step of its own: the browser's "back" comes back from it.
    const before = page.url();
    const other = page.locator(".evening-date button").nth(3);
    await other.scrollIntoViewIfNeeded();
    await other.click();
    await expect.poll(() => page.locator("h1").textContent()).not.toMatch(/^23 October/);
    await page.goBack();
    await expect.poll(() => page.locator("h1").textContent()).toMatch(/^23 October/);
    expect(page.url()).toBe(before);
  });

  it("is clean by the rules of accessibility, with few and with many, and over any span", async () => {
    const ids = years.disposals.map((d) => d.id);
    const page = await show("#/years/quillet", size);
    await expect.poll(() => laid(page)).toBe(3);
    expect(await violations(page)).toEqual([]);
    await page.evaluate((hash) => void (location.hash = hash), `#/years/quillet/evenings/${ids[0]}/over/${ids.slice(1, 31).join("/")}`);
    await expect.poll(() => laid(page), { timeout: 30_000 }).toBeGreaterThan(28);
    expect(await violations(page)).toEqual([]);
    expect(await fits(page)).toBe(true);
    await page.evaluate(() => void (location.hash = "#/years/quillet/curves"));
    await page.waitForSelector('.over-hand[data-coming="0"]');
    expect(await violations(page)).toEqual([]);
    expect(await fits(page)).toBe(true);
  });
});

describe("curves", () => {
  const wide = { width: 1280, height: 800 };
  const isOf = (u: URL, channel: string): boolean => u.pathname.endsWith("/overlay") && u.searchParams.get("channel") === channel;
  const found = (page: Page): Promise<string[]> => page.locator(".over-found").allTextContents();

  it("that have come are drawn while others are on their way, and nothing is said of all before", async () => {
    let release = (): void => {};
    const held = new Promise<void>((done) => (release = done));
    const page = await show("#/years/quillet", wide, {}, browser, {
      answer: async (m, u) => {
        if (isOf(u, "firebox")) await held;
        return years.answer(m, u);
      },
    });
    await page.waitForSelector(".over-sheet");
    await expect.poll(() => inked(page)).toBeGreaterThan(1_000);
    const before = await inked(page);
    expect(await laid(page)).toBe(0);
    expect(await page.locator(".over-reading").textContent()).toBe("Fetching the curves.");
    expect(await found(page)).toEqual(["", "", ""]);
    // The figures are known without the curves.
    expect(await page.locator(".over-lane .over-cell-bold").first().textContent()).toMatch(/\d/);
    release();
    await expect.poll(() => laid(page)).toBe(3);
    await expect.poll(() => inked(page)).toBeGreaterThan(before + 500);
    await expect.poll(() => page.locator(".over-reading").textContent()).not.toBe("Fetching the curves.");
    expect((await found(page)).every((t) => t !== "")).toBe(true);
  });

  it("that cannot be had are told, are said nothing of, and come when they are asked for again", async () => {
    let broken = true;
    const page = await show("#/years/quillet", wide, {}, browser, {
      answer: (m, u) => (broken && isOf(u, "firebox") ? { status: 500, body: JSON.stringify({ title: "The store is closed.", mend: "Ask again." }) } : years.answer(m, u)),
    });
    await page.waitForSelector(".years-note");
    expect(await page.locator(".years-note").textContent()).toContain("The store is closed. Ask again.");
    await expect.poll(() => inked(page)).toBeGreaterThan(1_000);
    expect(await laid(page)).toBe(0);
    await expect.poll(async () => (await found(page)).map((t) => t !== "")).toEqual([true, true, false]);
    broken = false;
    await page.getByRole("button", { name: "try again" }).click();
    await expect.poll(() => laid(page)).toBe(3);
    expect(await page.locator(".years-note").count()).toBe(0);
    await expect.poll(async () => (await found(page)).map((t) => t !== "")).toEqual([true, true, true]);
  });

  it("of an engine that answers nothing at all leave no empty sheet", async () => {
    const page = await show("#/years/quillet", wide, {}, browser, {
      answer: (m, u) => (u.pathname.endsWith("/overlay") ? { status: 503, body: "no" } : years.answer(m, u)),
    });
    await page.waitForSelector(".years-note");
    await expect.poll(() => page.locator(".over-sheet").count()).toBe(0);
    expect(await page.locator(".years-note").textContent()).toContain("503");
  });
});

describe("the evenings", () => {
  it("that cannot be laid by a moment are named, and leave the rest in place", async () => {
    const lost = years.disposals.find((d) => d.summary?.passed.fire_out === null);
    const page = await show(`#/years/quillet/evenings/${years.disposals[0]?.id}/over/${lost?.id}/${years.disposals[1]?.id}`, sizes[0] ?? { width: 1280, height: 800 });
    await expect.poll(() => laid(page)).toBe(2);
    expect(await page.locator(".years-note").textContent()).toMatch(/cannot be laid by fire out: when that was is not known\.$/);
  });
  it("in their thousands keep few rows in the page, and the year asked for comes into view", async () => {
    const many = new Years("quillet", 1_500, Date.UTC(2026, 9, 24, 6));
    const page = await show("#/years/quillet", { width: 1280, height: 800 }, {}, browser, many);
    await page.waitForSelector(".evening");
    const oldest = await page.getByRole("group", { name: "Years" }).getByRole("button").last().textContent();
    await page.getByRole("group", { name: "Years" }).getByRole("button").last().click();
    await page.waitForFunction((y) => [...document.querySelectorAll(".evenings-year h3")].some((h) => h.textContent?.startsWith(String(y)) && h.getBoundingClientRect().top < innerHeight), oldest);
    expect(await page.locator(".evening").count()).toBeLessThan(80);
    expect(await page.locator('[role="table"][aria-rowcount]').last().getAttribute("aria-rowcount")).toBe(String(1_500 + Number(oldest && 2026 - Number(oldest) + 1) + 1));
  });
  it("of an engine that has none yet are said to be none", async () => {
    const page = await show("#/years/quillet", { width: 1280, height: 800 }, {}, browser, new Years("quillet", 0, Date.UTC(2026, 9, 24)));
    await expect.poll(() => page.locator("h1").textContent()).toBe("No evening is kept of this engine yet.");
  });
  it("fit a page whose text is twice as large", async () => {
    for (const size of [{ width: 1280, height: 800 }, { width: 390, height: 844 }]) {
      const page = await show("#/years/quillet", size, {}, large);
      await expect.poll(() => laid(page)).toBe(3);
      expect(await fits(page)).toBe(true);
      await server?.close();
    }
  });
});

describe("any span", () => {
  it("goes from all the years to half a minute and back, keeps its gaps, and can be sent as an address", async () => {
    const gap = years.disposals[4];
    const page = await show(`#/years/quillet/curves/${gap?.begun}/${gap?.ended}`, { width: 1280, height: 800 });
    await page.waitForSelector('.over-hand[data-coming="0"]');
    await expect.poll(() => page.locator(".span-figures").textContent()).toMatch(/Boiler: 0\.0\d to [56]\.\d\d bar.*gap/);
    await page.getByRole("button", { name: "everything" }).click();
    await expect.poll(() => page.locator("h1").textContent()).toMatch(/ 2024 to /);
    await expect.poll(() => page.url()).toContain("/curves/2024-");
    await page.waitForSelector('.over-hand[data-coming="0"]');
    await page.getByRole("button", { name: "the newest evening" }).click();
    const b = await page.locator(".over-hand").boundingBox();
    if (!b) throw new Error("there is no drawing");
    await page.mouse.move(b.x + b.width * 0.2, b.y + 100);
    for (let i = 0; i < 40; i++) await page.mouse.wheel(0, -400);
    await page.waitForSelector('.over-hand[data-coming="0"]');
    // "19:35:07 to 19:35:37": half a minute is the closest.
    await expect.poll(() => page.locator("h1").textContent()).toMatch(/\d\d:\d\d:\d\d to \d\d:\d\d:\d\d$/);
    expect(await page.getByRole("button", { name: "closer" }).isDisabled()).toBe(true);
    await page.keyboard.press("Escape");
    await page.getByRole("button", { name: "the whole" }).click();
    await expect.poll(() => page.locator("h1").textContent()).toMatch(/ 2024 to /);
  });
  it("says plainly what could not be fetched", async () => {
    server = await serve({ ...defaults, from: 84, also: (m, u) => (u.pathname.endsWith("/series") ? { status: 503, body: JSON.stringify({ detail: "The store is busy.", mend: "Ask again." }) } : years.answer(m, u)) });
    const page = await open(browser, `${server.url}#/years/quillet/curves`, { viewport: { width: 1280, height: 800 } });
    await expect.poll(() => page.getByRole("alert").first().textContent()).toContain("The store is busy. Ask again.");
  });
});
