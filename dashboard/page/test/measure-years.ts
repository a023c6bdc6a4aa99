/**
 * Figures of the engineer's view, printed and judged by nobody: how long it takes to
 * open fifty evenings of 1,200 points over each other, and what the main thread does
 * while they are moved and come closer. The server answers from what it made before, so
 * that the page alone is measured; it is made in the same process, and is warm.
 *
 *     npm run build && npx tsx test/measure-years.ts [OPENINGS]
 *
 * The times are told by the wall and, of tasks, of the processor alone, which is what
 * a machine does that has nothing else to do.
 */
import { loadavg } from "node:os";
import type { Browser, Page } from "playwright-core";
import { launch, open } from "./browser.ts";
import { defaults, serve } from "./evening-server.ts";
import { categories, tasksOf } from "./measure-trace.ts";
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

/** Goes to the fifty evenings from a page that stands, and tells how long until all of them are drawn. */
const go = (page: Page, hash: string): Promise<number> =>
  page.evaluate(
    ([hash = "", drawn = "", all = ""]) =>
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
        location.hash = hash;
      }),
    [hash, drawn, all],
  );

const p95 = (v: readonly number[]): number => [...v].sort((a, b) => a - b)[Math.max(0, Math.ceil(v.length * 0.95) - 1)] ?? NaN;
const mid = (v: readonly number[]): number => [...v].sort((a, b) => a - b)[Math.floor(v.length / 2)] ?? NaN;
const tell = (what: string, v: readonly number[]): void => console.log(`${what}: median ${mid(v).toFixed(0)} ms, p95 ${p95(v).toFixed(0)} ms of ${v.length} (least ${Math.min(...v).toFixed(0)}, most ${Math.max(...v).toFixed(0)})`);

async function opened(browser: Browser): Promise<void> {
  const [cold, warm, coldWork, warmWork]: number[][] = [[], [], [], []];
  for (let i = 0; i < openings + 1; i++) {
    const page = await open(browser, `${server.url}#/years/quillet/book`, { viewport: desk });
    const devtools = await page.context().newCDPSession(page);
    await devtools.send("Performance.enable", { timeDomain: "threadTicks" });
    // What the main thread had of a processor, in ms.
    const worked = async (): Promise<number> => 1000 * ((await devtools.send("Performance.getMetrics")).metrics.find((m) => m.name === "TaskDuration")?.value ?? NaN);
    await page.waitForSelector(".years-words a");
    await page.waitForTimeout(standingMs);
    // tsx keeps the names of functions by a helper, which the page does not have.
    await page.evaluate("globalThis.__name = (f) => f");
    const w0 = await worked();
    const first = await go(page, address);
    const w1 = await worked();
    await page.evaluate(() => void (location.hash = "#/years/quillet/book"));
    await page.waitForFunction(() => !document.querySelector(".over-hand"));
    const w2 = await worked();
    const again = await go(page, address);
    const w3 = await worked();
    // The first of all makes the server's answers.
    if (process.env["ALOUD"]) console.log(`${i}: ${first.toFixed(0)} ms (main thread ${(w1 - w0).toFixed(0)}), ${again.toFixed(0)} ms (${(w3 - w2).toFixed(0)})`);
    if (i > 0) {
      cold?.push(first);
      warm?.push(again);
      coldWork?.push(w1 - w0);
      warmWork?.push(w3 - w2);
    }
    await page.context().close();
  }
  tell(`opening ${evenings} evenings x 1,200 points x 3 channels, nothing fetched before`, cold ?? []);
  tell("  of it the main thread had of a processor", coldWork ?? []);
  tell("opening them once more, fetched before", warm ?? []);
  tell("  of it the main thread had of a processor", warmWork ?? []);
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
  await moved(browser);
  console.log(`load of the machine meanwhile: ${loadavg()[0]?.toFixed(1)}`);
} finally {
  await browser.close();
  await server.close();
}
