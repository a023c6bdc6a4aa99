/**
 * An evening watched in a real browser. With ASHLAMP_URL it is that of a running
 * daemon (`ashlamp demo --speed 60`); with ASHLAMP_BIN a daemon is started for it;
 * with neither, it is that of `evening-server.ts`.
 */
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { launch, open } from "./browser.ts";
import { defaults, serve, type Running } from "./evening-server.ts";
import { demo } from "./daemon.ts";
import { wire, type Wire } from "./wire.ts";

const real = Boolean(process.env["ASHLAMP_URL"] ?? process.env["ASHLAMP_BIN"]);
/** How long a disposal may take to come to "plugs out" at speed 60, with time to spare. */
const patienceMs = real ? 10 * 60_000 : 60_000;

let browser: Browser;
let server: Pick<Running, "url" | "close">;
let line: Wire;
let page: Page;
const troubles: string[] = [];

beforeAll(async () => {
  server = await evening();
  line = await wire(server.url);
  browser = await launch();
  page = await open(browser, line.url, {}, { person: "R. Penhalow" });
  page.on("pageerror", (e) => troubles.push(String(e)));
  await page.waitForSelector(".flag");
}, 60_000);

afterAll(async () => {
  await browser?.close();
  await line?.close();
  await server?.close();
});

async function evening(): Promise<Pick<Running, "url" | "close">> {
  const url = process.env["ASHLAMP_URL"];
  const bin = process.env["ASHLAMP_BIN"];
  if (url) return { url, close: async () => undefined };
  return bin ? demo(bin) : serve({ ...defaults, speed: 120, from: 84 });
}

/** What the page shows as current, gathered at one moment. */
const current = () =>
  page.evaluate(() => ({
    head: document.querySelector("h1")?.textContent ?? "",
    reason: document.querySelector(".reason")?.textContent ?? "",
    flag: document.querySelector(".flag")?.textContent ?? "",
    words: [...document.querySelectorAll(".lane .word")].map((e) => e.textContent ?? ""),
    labels: [...document.querySelectorAll(".lane-touch")].map((e) => e.getAttribute("aria-label") ?? ""),
    full: document.querySelectorAll(".figure-full").length,
    presses: document.querySelectorAll(".press").length,
    ahead: [...document.querySelectorAll(".sheet .ahead")].map((e) => e.textContent ?? "").join(""),
    curve: Array.from(document.querySelectorAll(".fall .curve-strong"), (p) => p.getAttribute("d") ?? "").join(""),
  }));

const lostHead = /cannot tell|Nothing heard/;

/** Nothing is left on the page that could be taken for what is so now. */
async function showsNothingAsCurrent(): Promise<void> {
  const c = await current();
  expect(c.head).toMatch(lostHead);
  expect(c.reason).toContain("Nothing heard");
  expect(c.flag).toMatch(/^heard \d\d:\d\d$/);
  for (const w of [...c.words, ...c.labels]) expect(w).not.toMatch(/proven|not yet/);
  expect(c.words.length).toBeGreaterThan(0);
  expect([c.full, c.presses, c.ahead]).toEqual([0, 0, ""]);
}

/** Does `what` to the wire and returns how long the page took to say so, in ms, by the clock that both share. */
async function lostAfter(what: () => void): Promise<number> {
  await page.evaluate(() => {
    const w = window as unknown as { lostAt: number };
    w.lostAt = 0;
    const look = (): void => {
      if (w.lostAt > 0 || !document.querySelector(".reason")?.textContent?.includes("Nothing heard")) return;
      w.lostAt = Date.now();
      seen.disconnect();
    };
    const seen = new MutationObserver(look);
    seen.observe(document.body, { subtree: true, childList: true, characterData: true });
  });
  const from = Date.now();
  what();
  const at = await page.waitForFunction(() => (window as unknown as { lostAt: number }).lostAt, undefined, { timeout: 15_000 });
  return (await at.jsonValue()) - from;
}
const back = () => page.waitForFunction(() => /^now /.test(document.querySelector(".flag")?.textContent ?? ""), undefined, { timeout: 15_000, polling: 100 });

describe("an evening at speed", () => {
  it("draws the fall and moves on with the daemon's own time", async () => {
    await page.waitForFunction(() => (Array.from(document.querySelectorAll(".fall .curve-strong"), (p) => p.getAttribute("d") ?? "").join("")).length > 20, undefined, { timeout: 30_000 });
    const first = await current();
    await page.waitForFunction((flag) => document.querySelector(".flag")?.textContent !== flag, first.flag, { timeout: 30_000 });
    expect(first.flag).toMatch(/^now \d\d:\d\d$/);
  });

  it("says within 3 s that the link was cut, shows nothing as current, and comes back", async () => {
    const before = await current();
    expect(await lostAfter(line.cut)).toBeLessThan(3_000);
    await showsNothingAsCurrent();
    const stopped = (await current()).flag;
    await page.waitForFunction(() => /for [5-9] s/.test(document.querySelector(".reason")?.textContent ?? ""), undefined, { timeout: 10_000 });
    await showsNothingAsCurrent();
    expect((await current()).flag, "the now line stops").toBe(stopped);
    line.mend();
    await back();
    const after = await current();
    expect(after.reason).not.toContain("Nothing heard");
    expect(after.full).toBeGreaterThan(0);
    expect(after.curve.length).toBeGreaterThan(20);
    expect(after.flag.slice(4) >= before.flag.slice(4) || after.flag < "now 06").toBe(true);
  });

  it("says within 3 s that nothing comes over a link that is still open, and comes back", async () => {
    const took = await lostAfter(line.still);
    await showsNothingAsCurrent();
    line.mend();
    await back();
    expect(took).toBeLessThan(3_000);
    expect((await current()).full).toBeGreaterThan(0);
  });

  it(
    "sees the plugs not yet proven, then proven",
    async () => {
      const seen = await page.evaluate(
        (patience) =>
          new Promise<string[]>((done) => {
            const all: string[] = [];
            const look = (): void => {
              const folded = [...document.querySelectorAll(".lane-touch")].map((e) => e.getAttribute("aria-label") ?? "").join("; ");
              const word = /Plugs out, (cannot tell|not yet|proven|done)/.exec(folded)?.[1];
              if (word && all.at(-1) !== word) all.push(word);
              if (all.includes("proven") || all.includes("done")) finish();
            };
            const timer = setInterval(look, 50);
            const end = setTimeout(() => finish(), patience);
            const finish = (): void => {
              clearInterval(timer);
              clearTimeout(end);
              done(all);
            };
          }),
        patienceMs - 5_000,
      );
      expect(seen).toContain("not yet");
      expect(seen.at(-1)).toBe("proven");
      expect(seen.indexOf("not yet")).toBeLessThan(seen.indexOf("proven"));
    },
    patienceMs,
  );

  it("had no error on the page", () => expect(troubles).toEqual([]));
});
