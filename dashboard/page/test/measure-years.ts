/**
 * Figures of the engineer's view, printed and judged by nobody: how long it takes to
 * open fifty evenings of 1,200 points over each other, and what the main thread does
 * while they are moved and come closer. The server answers from what it made before, so
 * that the page alone is measured; it is made in the same process, and is warm.
 *
 *     npm run build && npm run measure:years [-- OPENINGS]
 *
 * The times are told by the wall and, of tasks, of the processor alone, which is what
 * a machine does that has nothing else to do.
 */
import { loadavg } from "node:os";
import type { Browser, Page } from "playwright-core";
import { launch, open } from "./browser.ts";
import { defaults, serve } from "./evening-server.ts";
import { categories, tasksOf } from "./measure-trace.ts";
import { engineerWords as words } from "../src/words/engineer.ts";
import { Years } from "./years.ts";

const evenings = 50;
const openings = Number(process.argv[2] ?? "20");
const longMs = 50;
const desk = { width: 1440, height: 900 };

// More evenings than fifty, since some cannot be laid by fire out.
const years = new Years("quillet", 70, Date.UTC(2026, 9, 24, 6));
const fifty = years.disposals.filter((d) => d.summary?.passed.fire_out).slice(0, evenings).map((d) => d.id);
const address = `#/years/quillet/evenings/${fifty[0]}/over/${fifty.slice(1).join("/")}`;

const server = await serve({ ...defaults, from: 84, also: (m, u) => years.answer(m, u) });
const drawn = `[data-laid="${evenings}"]`;
const all = `.over-hand[data-drawn="${evenings}"]`;

/** What a page does once it stands, as keeping itself for opening without a network, is over after this long. */
const standingMs = 3_000;

/**
 * Opens the fifty evenings from a page that stands, by their address or by a touch on what
 * offers the nearest 49, and tells how long until all of them are drawn.
 */
const go = (page: Page, by: { readonly hash?: string; readonly word?: string }): Promise<number> =>
  page.evaluate(
    ([hash = "", word = "", drawn = "", all = ""]) =>
      new Promise<number>((done) => {
        const start = performance.now();
        // Told by the page's own changes: looking in every frame would have it make frames of nothing.
        const watch = new MutationObserver(() => {
          if (!document.querySelector(drawn) || !document.querySelector(all)) return;
          watch.disconnect();
          // The frame that draws the last of them, and the task after it.
          requestAnimationFrame(() => setTimeout(() => done(performance.now() - start)));
        });
        watch.observe(document.body, { subtree: true, childList: true, attributes: true, attributeFilter: ["data-drawn", "data-laid"] });
        if (hash !== "") location.hash = hash;
        else [...document.querySelectorAll<HTMLElement>(".years-under button")].find((b) => b.textContent === word)?.click();
      }),
    [by.hash ?? "", by.word ?? "", drawn, all],
  );

const p95 = (v: readonly number[]): number => [...v].sort((a, b) => a - b)[Math.max(0, Math.ceil(v.length * 0.95) - 1)] ?? NaN;
const mid = (v: readonly number[]): number => [...v].sort((a, b) => a - b)[Math.floor(v.length / 2)] ?? NaN;
const tell = (what: string, v: readonly number[]): void => console.log(`${what}: median ${mid(v).toFixed(0)} ms, p95 ${p95(v).toFixed(0)} ms of ${v.length} (least ${Math.min(...v).toFixed(0)}, most ${Math.max(...v).toFixed(0)})`);

/** One figure by the wall, and what of it the main thread had of a processor; in ms. */
type Took = readonly [wall: number, work: number];

/** A page that stands on the given place. */
async function standing(browser: Browser, hash: string, ready: string): Promise<{ page: Page; took: (by: Parameters<typeof go>[1]) => Promise<Took> }> {
  const page = await open(browser, server.url + hash, { viewport: desk });
  const devtools = await page.context().newCDPSession(page);
  await devtools.send("Performance.enable", { timeDomain: "threadTicks" });
  const worked = async (): Promise<number> => 1000 * ((await devtools.send("Performance.getMetrics")).metrics.find((m) => m.name === "TaskDuration")?.value ?? NaN);
  await page.waitForSelector(ready);
  await page.waitForTimeout(standingMs);
  // tsx keeps the names of functions by a helper, which the page does not have.
  await page.evaluate("globalThis.__name = (f) => f");
  return {
    page,
    took: async (by) => {
      const before = await worked();
      const wall = await go(page, by);
      return [wall, (await worked()) - before];
    },
  };
}

async function opened(browser: Browser): Promise<void> {
  const ways: Record<string, Took[]> = {
    [`by a touch on "${words.nearest(evenings - 1)}", where three evenings stand`]: [],
    "by their address, from another part of the view, nothing fetched before": [],
    "once more, fetched before": [],
  };
  const [touched = [], cold = [], warm = []] = Object.values(ways);
  // The first of all makes the server's answers, and is not told.
  for (let i = 0; i < openings + 1; i++) {
    const one = await standing(browser, `#/years/quillet/evenings/${fifty[0]}`, '.over-hand[data-drawn="3"]');
    const t = await one.took({ word: words.nearest(evenings - 1) });
    await one.page.context().close();

    const two = await standing(browser, "#/years/quillet/book", ".years-words a");
    const c = await two.took({ hash: address });
    await two.page.evaluate(() => void (location.hash = "#/years/quillet/book"));
    await two.page.waitForFunction(() => !document.querySelector(".over-hand"));
    const w = await two.took({ hash: address });
    await two.page.context().close();
    if (process.env["ALOUD"]) console.log(`${i}: ${[t, c, w].map(([wall, work]) => `${wall.toFixed(0)} ms (main thread ${work.toFixed(0)})`).join(", ")}`);
    if (i === 0) continue;
    touched.push(t);
    cold.push(c);
    warm.push(w);
  }
  for (const [how, all] of Object.entries(ways)) {
    tell(`opening ${evenings} evenings of 1,200 points ${how}`, all.map(([wall]) => wall));
    tell("  of it the main thread had of a processor", all.map(([, work]) => work));
  }
}

/** The ceiling: a page with nothing on it that fetches the same answers, reads them, and draws each curve once. */
async function bare(browser: Browser): Promise<void> {
  const calls = ["boiler.pressure", "boiler.shell.top", "firebox"].map(
    (channel) => `${server.url}api/v1/engines/quillet/overlay?${new URLSearchParams([["channel", channel], ["align", "fire-out"], ["points", "400"], ...fifty.map((id): [string, string] => ["disposal", id])])}`,
  );
  const walls: number[] = [];
  for (let i = 0; i < openings + 1; i++) {
    const context = await browser.newContext({ viewport: desk });
    const page = await context.newPage();
    // Any answer of the server is a page from which it may be asked.
    await page.goto(`${server.url}api/v1/engines/quillet/disposals`);
    await page.evaluate("globalThis.__name = (f) => f");
    const wall = await page.evaluate(async (calls) => {
      const start = performance.now();
      const all = (await Promise.all(calls.map(async (c) => (await fetch(c)).json()))) as { disposals: { s: number[]; mean: (number | null)[] }[] }[];
      const canvas = document.body.appendChild(document.createElement("canvas"));
      [canvas.width, canvas.height] = [900, 600];
      const ctx = canvas.getContext("2d");
      all.forEach((o, k) => {
        const most = Math.max(...o.disposals.flatMap((d) => d.mean.map((v) => v ?? 0)));
        for (const d of o.disposals) {
          ctx?.beginPath();
          d.s.forEach((s, n) => ctx?.lineTo(450 + s / 80, 200 * (k + 1) - (190 * (d.mean[n] ?? 0)) / most));
          ctx?.stroke();
        }
      });
      return new Promise<number>((done) => requestAnimationFrame(() => setTimeout(() => done(performance.now() - start))));
    }, calls);
    if (i > 0) walls.push(wall);
    await context.close();
  }
  tell("a bare page fetching, reading and drawing the same curves", walls);
}

async function moved(browser: Browser): Promise<void> {
  const page = await open(browser, "about:blank", { viewport: desk });
  await browser.startTracing(page, { categories });
  await page.goto(server.url + address);
  await page.waitForSelector(drawn, { state: "attached" });
  await page.waitForSelector(all);
  await page.waitForTimeout(1_500);
  const since = await page.evaluate(() => performance.now());
  const box = await page.locator(".over-hand").boundingBox();
  if (!box) throw new Error("there is no sheet");
  const [x, y] = [box.x + box.width / 2, box.y + 120];
  // Closer by two turns of the wheel, so that there is something to move to; then to and fro.
  await page.locator(".over-hand").focus();
  await page.mouse.move(x, y);
  for (let i = 0; i < 4; i++) await page.mouse.wheel(0, -120);
  for (let k = 0; k < 3; k++) {
    await page.mouse.move(x, y);
    await page.mouse.down();
    for (let i = 0; i < 60; i++) await page.mouse.move(x - 5 * i, y);
    for (let i = 60; i > -40; i--) await page.mouse.move(x - 5 * i, y);
    await page.mouse.up();
  }
  const until = await page.evaluate(() => performance.now());
  for (let i = 0; i < 30; i++) await page.mouse.wheel(0, i < 18 ? -90 : 140);
  await page.waitForTimeout(400);
  const tasks = tasksOf(await browser.stopTracing());
  const what = (name: string, mine: typeof tasks): void => {
    const most = (of: (t: (typeof tasks)[number]) => number): string => Math.max(0, ...mine.map(of)).toFixed(0);
    console.log(`${name}: longest task ${most((t) => t.cpu)} ms of the processor, ${most((t) => t.ms)} ms by the wall; over ${longMs} ms: ${mine.filter((t) => t.cpu > longMs).length} (by the wall ${mine.filter((t) => t.ms > longMs).length}) of ${mine.length}`);
    for (const t of [...mine].sort((a, b) => b.cpu - a.cpu).slice(0, 3)) console.log(`    ${t.cpu.toFixed(0)} ms (${t.ms.toFixed(0)}): ${t.parts}`);
  };
  what("while it opens with the page", tasks.filter((t) => t.at < since));
  what("while it is moved", tasks.filter((t) => t.at >= since && t.at < until));
  what("while it comes closer and goes back", tasks.filter((t) => t.at >= until));
  await page.context().close();
}

const browser = await launch();
try {
  await opened(browser);
  await bare(browser);
  await moved(browser);
  console.log(`load of the machine meanwhile: ${loadavg()[0]?.toFixed(1)}`);
} finally {
  await browser.close();
  await server.close();
}
