/**
 * The record of an engine in a real browser, on the real daemon with its demonstration:
 * the one of ASHLAMP_BIN, or one built for it here. What a daemon seldom does (years of
 * evenings, a broken book, an answer that breaks off) is forced at the door before it.
 */
import { execFileSync } from "node:child_process";
import { mkdtemp, readFile, rm } from "node:fs/promises";
import type { IncomingMessage } from "node:http";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, it } from "vitest";
import type { Entry, PastDisposal, State } from "../src/state/wire.ts";
import { violations } from "./axe.ts";
import { launch, open } from "./browser.ts";
import { demo } from "./daemon.ts";
import { defaults, serve } from "./evening-server.ts";
import { broken, fewYears, limitsOf, rerunOf, years } from "./record.ts";
import { json, problem, through, type Through } from "./through.ts";

let browser: Browser;
let large: Browser;
let daemon: Awaited<ReturnType<typeof demo>>;
let door: Through;
let built = "";

beforeAll(async () => {
  let bin = process.env["ASHLAMP_BIN"];
  if (!bin) {
    built = await mkdtemp(join(tmpdir(), "ashlamp-bin-"));
    bin = join(built, "ashlamp");
    execFileSync("go", ["build", "-o", bin, "./daemon"], { cwd: fileURLToPath(new URL("../../..", import.meta.url)) });
  }
  // Slow enough that the live sheet leaves the browser time, fast enough that a disposal has begun.
  daemon = await demo(bin, 10);
  browser = await launch();
  large = await launch(32);
}, 300_000);
afterAll(async () => {
  await browser?.close();
  await large?.close();
  await daemon?.close();
  if (built) await rm(built, { recursive: true, force: true });
});
beforeEach(async () => {
  door = await through(daemon.url, process.env["PAGE"]);
});
afterEach(async () => {
  for (const b of [browser, large]) for (const c of b.contexts()) await c.close();
  await door.close();
});

const sizes = [
  { name: "a wide tablet", width: 1280, height: 800 },
  { name: "an upright one", width: 800, height: 1280 },
  { name: "a phone", width: 390, height: 844 },
];
const newest = Date.UTC(2026, 9, 24, 15);
const engine = "quillet";

async function show(part: string, size: { width: number; height: number } = { width: 1280, height: 800 }, own: Record<string, string> = {}, by = browser): Promise<Page> {
  const page = await open(by, `${door.url}#/years/${engine}/${part}`, { viewport: size, acceptDownloads: true }, own);
  page.setDefaultTimeout(90_000);
  return page;
}

const fits = (page: Page): Promise<readonly [number, number]> => page.evaluate(() => [document.documentElement.scrollWidth, document.documentElement.clientWidth] as const);
const get = async <T>(path: string): Promise<T> => (await (await fetch(`${daemon.url}api/v1/${path}`)).json()) as T;
/** Asks until it is so, or too late: the machine may be busy. */
const poll = <T>(what: () => T) => expect.poll(what, { timeout: 40_000 });
const head = (page: Page, text: RegExp) => poll(() => page.locator("h1").textContent()).toMatch(text);

/** The presses and words that are too small for a gloved finger, by their size in px. */
const small = (page: Page) =>
  page.evaluate(() =>
    [...document.querySelectorAll<HTMLElement>("main button, main summary, main select, main input, main .years-words a")]
      .map((e) => ({ e, r: e.getBoundingClientRect() }))
      .filter(({ r }) => r.width > 0 && (r.height < 47.5 || r.width < 47.5))
      .map(({ e, r }) => `${e.textContent?.slice(0, 30)}: ${Math.round(r.width)}×${Math.round(r.height)}`),
  );

/** Texts that are drawn over one another. */
const overlaps = (page: Page) =>
  page.evaluate(() => {
    const all: { t: string; r: DOMRect }[] = [];
    const walk = document.createTreeWalker(document.querySelector("main") ?? document.body, NodeFilter.SHOW_TEXT);
    for (let n = walk.nextNode(); n; n = walk.nextNode()) {
      const t = n.textContent?.trim();
      const e = n.parentElement;
      if (!t || !e || e.closest("select, .aloud, thead, details:not([open]) > :not(summary)") || getComputedStyle(e).visibility === "hidden") continue;
      const range = document.createRange();
      range.selectNodeContents(n);
      for (const r of range.getClientRects()) if (r.width > 1) all.push({ t, r: new DOMRect(r.x + 1, r.y + 0.2 * r.height, Math.max(0, r.width - 2), 0.6 * r.height) });
    }
    const out: string[] = [];
    all.forEach((a, i) => {
      for (const b of all.slice(i + 1)) {
        if (a.r.left < b.r.right && b.r.left < a.r.right && a.r.top < b.r.bottom && b.r.top < a.r.bottom) out.push(`${a.t.slice(0, 40)} / ${b.t.slice(0, 40)}`);
      }
    });
    return out;
  });

const parts: readonly { part: string; ready: RegExp; prepare?: () => void; open?: (page: Page) => Promise<void> }[] = [
  { part: "trends", ready: /loses heat 41 %/, prepare: () => door.put("GET", "/trends", json(years(engine, newest))) },
  { part: "sensors", ready: /Quillet: / },
  { part: "book", ready: /broken at entry 3/, prepare: () => door.put("GET", "/book/chain", json(broken(3, "2026-05-03T15:30:02Z", "2026-10-24T20:30:02Z"))) },
  {
    part: "evenings", ready: /./,
    prepare: () => {
      door.put("GET", "/limits", json(limitsOf()));
      door.put("POST", "/rerun", (_, a) => void a.end(`{"progress":0.5}\n${JSON.stringify({ result: rerunOf(engine, { id: "x", begun: "2026-10-24T15:30:02Z", ended: "2026-10-24T20:30:02Z" } as PastDisposal) })}\n`));
    },
    open: async (page) => {
      await page.getByRole("button", { name: "choose limits" }).click();
      await page.locator(".limit-add select").selectOption("blow_down_max_bar");
      await page.getByRole("button", { name: "judge it again" }).click();
      await page.waitForSelector(".rerun-lane");
    },
  },
];

describe.each(sizes)("on $name", (size) => {
  it.each(parts)("$part keeps within the page, and is WCAG 2.2 AA", async ({ part, ready, prepare, open: opened }) => {
    prepare?.();
    // Contrast goes by the ground and not by the size: every ground is looked at once.
    for (const ground of size.width === 1280 ? ["day", "night", "sun"] : ["day"]) {
      const page = await show(part, size, { ground });
      const troubles: string[] = [];
      page.on("pageerror", (e) => troubles.push(e.message));
      await head(page, ready);
      await opened?.(page);
      await page.evaluate(() => document.fonts.ready);
      const [wide, room] = await fits(page);
      expect(wide, "no scrolling sideways").toBeLessThanOrEqual(room);
      const mine = part === "evenings" ? ".what-if" : "main";
      expect((await violations(page)).filter((v) => part !== "evenings" || /what-if|rerun|limit|paper/.test(v)), ground).toEqual([]);
      if (ground === "day") {
        if (part !== "evenings") {
          expect(await small(page)).toEqual([]);
          expect(await overlaps(page)).toEqual([]);
        }
        expect(await page.locator(mine).count()).toBe(1);
        const said = (await page.locator("main").innerText()).toLowerCase();
        for (const w of ["safe", "all clear", "you may", "undefined", "nan", "[object"]) expect(said).not.toMatch(new RegExp(`\\b${w.replace("[", "\\[")}\\b`));
      }
      expect(troubles).toEqual([]);
      await page.context().close();
    }
  });

  it("with text twice as large nothing is lost beside the page", async () => {
    for (const p of parts) {
      p.prepare?.();
      const page = await show(p.part, size, {}, large);
      await head(page, p.ready);
      await p.open?.(page);
      if (p.part === "evenings") {
        const out = await page.evaluate(() => [...document.querySelectorAll(".what-if *, .papers *")].filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest("svg")).map((e) => e.className));
        expect(out).toEqual([]);
      } else {
        const [wide, room] = await fits(page);
        expect(wide, p.part).toBeLessThanOrEqual(room);
      }
      await page.context().close();
    }
  });
});

describe("trends", () => {
  it("say what they wait for while there are too few evenings", async () => {
    const page = await show("trends");
    await head(page, /^Quillet: (no evening drawn up yet|\d evenings? so far, too few to tell a change from weather)\.$/);
    expect(await page.locator("main").innerText()).toMatch(/waits? for|more at least/);
  });
  it("tell the finding first, how sure it is, and draw every evening of it", async () => {
    const t = years(engine, newest);
    door.put("GET", "/trends", json(t));
    const page = await show("trends");
    await head(page, /loses heat 41 % faster/);
    const text = await page.locator("main").innerText();
    expect(text).toContain("+0.043 per hour (95 %: +0.036 to +0.049)");
    expect(text).toContain("p under 0.001");
    expect(text).toMatch(/It rests on 9 evenings from 18 July to 24 October, and on 31 before\./);
    expect(text).toContain("95 %: +141 to +170");
    const first = page.locator(".plot").first();
    expect(await first.locator(".evening-mark").count()).toBe(t.series[1]?.points.length);
    // The level after is drawn above the level before: the loss rose.
    const y = async (c: string): Promise<number> => Number(/M[\d.]+,([\d.]+)/.exec((await first.locator(`.plot-drawing ${c}`).getAttribute("d")) ?? "")?.[1]);
    expect(await y(".change-after")).toBeLessThan(await y(".change-before"));
    const drain = page.locator('[data-quantity="tank-drain"]');
    await drain.locator("summary").click();
    expect(await drain.locator("li").count()).toBe(t.series[6]?.points.length);
    expect(await page.locator('[data-quantity="fall-at-100k"]').innerText()).toContain("the same again by another figure");
    expect(await page.locator('[data-quantity="shell-time-constant"]').innerText()).toContain("1 evening beyond the drawing");
  });
  it("say what three evenings are worth", async () => {
    door.put("GET", "/trends", json(fewYears(engine, newest)));
    const page = await show("trends");
    await head(page, /3 evenings so far/);
    expect(await page.locator(".plot").count()).toBe(0);
  });
  it("say why they did not come, and come when asked again", async () => {
    door.put("GET", "/trends", problem(503, "The store is being mended.", "Wait a minute."));
    const page = await show("trends");
    await poll(() => page.locator("main").innerText()).toContain("The store is being mended. Wait a minute.");
    door.put("GET", "/trends", null);
    await page.getByRole("button", { name: "try again" }).click();
    await head(page, /evening/);
  });
});

describe("sensors", () => {
  it("show every channel with its age and uncertainty, and none as current within 3 s of a cut", async () => {
    const page = await show("sensors");
    await head(page, /^Quillet: /);
    const state = await get<State>(`engines/${engine}/state`);
    const rows = await page.locator("tr.sensor").evaluateAll((all) => all.map((e) => e.getAttribute("data-channel")));
    expect(rows).toEqual(expect.arrayContaining(Object.keys(state.channels)));
    await poll(() => page.locator('[data-channel="boiler.pressure"]').innerText()).toMatch(/\d\.\d\d bar[\s\S]*\u00b1 0\.\d\d bar[\s\S]*may be 15 s/);
    await poll(() => page.locator(".sensor-value:not(.sensor-old)").count()).toBeGreaterThan(5);
    const from = Date.now();
    door.cut(true);
    await page.waitForFunction(() => document.querySelectorAll(".sensor-value:not(.sensor-old)").length === 0, undefined, { polling: 50, timeout: 10_000 });
    expect(Date.now() - from).toBeLessThan(3_000);
    await head(page, /nothing heard for/);
    door.cut(false);
    await page.waitForFunction(() => document.querySelectorAll(".sensor-value:not(.sensor-old)").length > 5, undefined, { timeout: 15_000 });
  });
  it("name the findings, each under its channel, and what was never heard", async () => {
    const server = await serve({ ...defaults, from: 124, fault: "troubled" });
    const page = await open(browser, `${server.url}#/years/${engine}/sensors`);
    await head(page, /1 of \d+ channels is in doubt/);
    expect(await page.locator("tr.sensor-finding").innerText()).toContain("has not changed for 22 min");
    expect(await page.locator("tr.sensor-finding").evaluate((e) => e.previousElementSibling?.getAttribute("data-channel"))).toBe("boiler.shell.bottom");
    expect(await page.locator(".sensor-found").innerText()).toContain("its clock runs 94 s behind");
    await server.close();
    const empty = await serve({ ...defaults, from: 0, empty: true });
    const bare = await open(browser, `${empty.url}#/years/${engine}/sensors`);
    await poll(() => bare.locator("main").innerText()).toContain("never heard");
    expect(await bare.locator(".sensor-value").count()).toBe(0);
    await empty.close();
  });
});

describe("the book", () => {
  it("tells that it is whole, and its entries in sentences", async () => {
    const page = await show("book");
    await head(page, /^The book of Quillet is whole: [\d\u00a0]+ entries, \d+ \w+ to \d+ \w+\.$/);
    const newest = await get<Entry[]>(`engines/${engine}/book?limit=5`);
    await page.getByRole("button", { name: "look again" }).click();
    await poll(() => page.locator(".book-row").count()).toBeGreaterThanOrEqual(Math.min(5, newest.length));
    const texts = await page.locator(".book-what").allInnerTexts();
    expect(texts.some((t) => /^Phase: |^The disposal begins\./.test(t))).toBe(true);
    for (const t of texts) expect(t).toMatch(/^\S.*[.!?]/s);
    for (const t of texts) expect(t).not.toMatch(/\d{4}-\d\d-\d\dT|not-yet|cannot-tell/);
    const seqs = await page.locator(".book-row").evaluateAll((all) => all.map((e) => (e as HTMLLIElement).value));
    expect(seqs.slice(1).every((n, i) => n === (seqs[i] ?? 0) - 1)).toBe(true);
    await page.getByRole("button", { name: "verdicts", exact: true }).click();
    const kinds = await page.locator(".book-row").evaluateAll((all) => all.map((e) => e.getAttribute("data-kind")));
    expect(kinds.length).toBeGreaterThan(0);
    expect(new Set(kinds)).toEqual(new Set(["verdict"]));
    expect(await page.locator(".book-row .fill").count()).toBe(kinds.length);
  });
  it("is paged to its beginning, each entry once", async () => {
    const all: Entry[] = Array.from({ length: 250 }, (_, i) => ({ seq: i + 1, t: new Date(newest + i * 600_000).toISOString(), kind: "confirmed", by: "R. Penhalow", text: "confirmed: vent-open." }));
    door.put("GET", "/book", (q, a) => {
      const u = new URL(q.url ?? "", "http://x");
      const before = Number(u.searchParams.get("before") ?? Infinity);
      const page = all.filter((e) => e.seq < before).reverse().slice(0, Number(u.searchParams.get("limit")));
      json(page)(q, a);
    });
    const page = await show("book");
    await poll(() => page.locator(".book-row").count()).toBe(100);
    for (const n of [200, 250]) {
      await page.getByRole("button", { name: "earlier entries" }).click();
      await poll(() => page.locator(".book-row").count()).toBe(n);
    }
    expect(await page.locator("main").innerText()).toContain("The book begins here.");
    const seqs = await page.locator(".book-row").evaluateAll((rows) => rows.map((e) => (e as HTMLLIElement).value));
    expect(seqs).toEqual(Array.from({ length: 250 }, (_, i) => 250 - i));
    expect(await page.locator(".book-day h2").count()).toBeGreaterThan(1);
  });
  it("names the entry that is broken, and marks it", async () => {
    door.put("GET", "/book/chain", json(broken(3, "2026-05-03T15:30:02Z", "2026-10-24T20:30:02Z")));
    const page = await show("book");
    await head(page, /^The book of Quillet is broken at entry 3\.$/);
    expect(await page.locator("main").innerText()).toContain("Compare with a backup or a printed report.");
    await poll(() => page.locator(".book-broken").count()).toBe(1);
    expect(await page.locator(".book-broken").innerText()).toMatch(/broken here[\s\S]*entry 3$/);
  });
  it("speaks while it is empty", async () => {
    door.put("GET", "/book", json([]));
    const page = await show("book");
    await poll(() => page.locator("main").innerText()).toContain("It waits for the first verdict, word or alarm.");
  });
});

/** Opens the rerun under the newest evening. */
async function chosen(own: Record<string, string> = {}): Promise<Page> {
  const page = await show("evenings", { width: 1280, height: 800 }, own);
  await page.getByRole("button", { name: "choose limits" }).click();
  await page.waitForSelector(".limit-add select");
  return page;
}
const put = async (page: Page, key: string, to: string): Promise<void> => {
  await page.locator(".limit-add select").selectOption(key);
  await page.locator(`#limit-${key}`).fill(to);
};
const run = (page: Page) => page.getByRole("button", { name: "judge it again" });
const body = async (q: IncomingMessage): Promise<string> => {
  let s = "";
  for await (const c of q) s += String(c);
  return s;
};

describe("an evening by other limits", () => {
  it("is judged again by the daemon, every step drawn twice", async () => {
    const state = await get<State>(`engines/${engine}/state`);
    const page = await chosen();
    await put(page, "drop_min_bar", "9.9");
    await run(page).click();
    await page.waitForSelector(".rerun-lane[data-step]");
    const steps = await page.locator(".rerun-lane[data-step]").evaluateAll((all) => all.map((e) => e.getAttribute("data-step")));
    expect(steps).toEqual(state.steps.map((s) => s.id));
    for (const t of await page.locator(".rerun-name").allInnerTexts()) expect(t).toMatch(/First proven|Never proven/);
    expect(await page.locator(".rerun-lane svg rect").count()).toBeGreaterThanOrEqual(2 * steps.length);
    expect(await page.locator(".rerun").innerText()).toContain("9.9 bar in place of 4");
  });
  it("is not run with a limit outside its range", async () => {
    const page = await chosen();
    await put(page, "zero_hold_s", "59");
    await poll(() => page.locator(".limit-note strong").first().innerText()).toContain("Outside 60 to 7200 s.");
    expect(await run(page).count()).toBe(0);
    await page.locator("#limit-zero_hold_s").fill("60");
    await poll(() => run(page).count()).toBe(1);
    await page.getByRole("button", { name: /^leave as it is: How long/ }).click();
    await poll(() => page.locator(".limit").count()).toBe(0);
  });
  it("is put in the person's units and sent in the daemon's", async () => {
    let posted = "";
    door.put("POST", "/rerun", async (q, a) => {
      posted = await body(q);
      a.end('{"progress":1}\n');
    });
    const page = await chosen({ pressure: "psi", temperature: "F" });
    await put(page, "house_firebox_c", "302");
    await put(page, "blow_down_max_bar", "50");
    await run(page).click();
    await poll(() => posted).not.toBe("");
    const limits = (JSON.parse(posted) as { limits: Record<string, number> }).limits;
    expect(limits["house_firebox_c"]).toBeCloseTo(150, 6);
    expect(limits["blow_down_max_bar"]).toBeCloseTo(3.44738, 4);
    expect(Object.keys(limits).length).toBe(2);
  });
  it("is stopped, and the daemon's work with it", async () => {
    let gone = false;
    door.put("POST", "/rerun", (_, a) => {
      a.on("close", () => (gone = true));
      a.write('{"progress":0.4}\n');
    });
    const page = await chosen();
    await run(page).click();
    await poll(() => page.locator('[role="progressbar"]').getAttribute("aria-valuenow")).toBe("40");
    await page.locator(".run").getByRole("button", { name: "stop it" }).click();
    await poll(() => page.locator(".run-fare").innerText()).toBe("Stopped; nothing came of it.");
    await poll(() => gone).toBe(true);
    expect(await page.locator(".rerun").count()).toBe(0);
  });
  it.each<[string, (a: import("node:http").ServerResponse) => void, RegExp]>([
    ["breaks off", (a) => void a.write('{"progress":0.4}\n', () => a.destroy()), /broke off before its end/],
    ["ends without a result", (a) => void a.end('{"progress":1}\n'), /broke off before its end/],
    ["ends in half a line", (a) => void a.end('{"progress":1}\n{"result":{"engi'), /broke off before its end/],
    ["fails on the way", (a) => void a.end('{"progress":0.1}\n{"problem":{"type":"","title":"t","status":500,"detail":"The store cannot be read.","mend":"Look at the disk.","instance":""}}\n'), /The store cannot be read\. Look at the disk\./],
    ["is refused", (a) => void problem(503, "Another disposal is being judged again.", "Wait until it is done.")({} as IncomingMessage, a), /Another disposal is being judged again\. Wait until it is done\./],
  ])("that %s shows no result, and says so", async (_, how, says) => {
    door.put("POST", "/rerun", (_, a) => how(a));
    const page = await chosen();
    await run(page).click();
    await poll(() => page.locator(".run-fare").innerText()).toMatch(says);
    expect(await page.locator(".rerun").count()).toBe(0);
    expect(await run(page).count(), "it can be run again").toBe(1);
  });
});

describe("the papers of an evening", () => {
  const paper = (page: Page, which: string) => page.locator(`[data-paper="${which}"]`);
  it.each(["report.pdf", "samples.csv", "samples.senml.json"])("%s comes whole from the daemon", async (which) => {
    const page = await show("evenings");
    await paper(page, which).waitFor();
    const coming = page.waitForEvent("download");
    await paper(page, which).getByRole("button").click();
    const got = await coming;
    const text = await readFile(await got.path(), "latin1");
    const [id] = (await get<PastDisposal[]>(`engines/${engine}/disposals`)).map((d) => d.id);
    expect(got.suggestedFilename()).toContain(`${engine}-${id}`);
    await poll(() => paper(page, which).innerText()).toContain(`Handed to this device as ${got.suggestedFilename()}`);
    if (which === "report.pdf") expect(text.slice(0, 5)).toBe("%PDF-");
    if (which === "samples.senml.json") expect((JSON.parse(text) as unknown[]).length).toBeGreaterThan(10);
    if (which === "samples.csv") {
      const rows = text.trim().split("\n").length - 1;
      expect(rows).toBeGreaterThan(10);
      expect(await paper(page, which).innerText()).toMatch(new RegExp(`: ${String(rows).replace(/\B(?=(\d{3})+$)/g, "\\u00a0")} rows, `));
    }
  });
  it.each<[string, (a: import("node:http").ServerResponse) => void, RegExp]>([
    ["is refused", (a) => void problem(404, "No samples of that disposal are kept.", "See how long samples are kept.")({} as IncomingMessage, a), /It did not come\. No samples of that disposal are kept\. See how long samples are kept\./],
    ["breaks off", (a) => void a.writeHead(200, { "Ashlamp-Rows": "400" }).write("time,value\r\n1,2\r\n", () => a.destroy()), /It did not come\. The answer broke off/],
    ["has fewer rows than it said", (a) => void a.writeHead(200, { "Ashlamp-Rows": "4" }).end("time,value\r\n1,2\r\n"), /It did not come\. The answer broke off/],
  ])("one that %s is not handed over, and says why", async (_, how, says) => {
    door.put("GET", "/samples.csv", (_, a) => how(a));
    const page = await show("evenings");
    let handed = false;
    page.on("download", () => (handed = true));
    await paper(page, "samples.csv").waitFor();
    await paper(page, "samples.csv").getByRole("button").click();
    await poll(() => paper(page, "samples.csv").innerText()).toMatch(says);
    expect(handed).toBe(false);
  });
  it("tells its progress in rows, and is stopped by hand", async () => {
    door.put("GET", "/samples.csv", (_, a) => void a.writeHead(200, { "Ashlamp-Rows": "4" }).write("time,value\r\n1,2\r\n"));
    const page = await show("evenings");
    await paper(page, "samples.csv").waitFor();
    await paper(page, "samples.csv").getByRole("button").click();
    await poll(() => paper(page, "samples.csv").innerText()).toContain("1 of 4 rows, 25 %");
    await paper(page, "samples.csv").getByRole("button", { name: /^stop it/ }).click();
    await poll(() => paper(page, "samples.csv").innerText()).toContain("Stopped; nothing was kept.");
  });
});
