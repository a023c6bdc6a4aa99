/**
 * Figures of the page, printed and judged by nobody: what a cold browser fetches, and
 * what the main thread does on a processor slowed fourfold while sixteen channels
 * change ten times a second.
 *
 *     ASHLAMP_BIN=../../bin/ashlamp npm run measure [-- SECONDS]
 *     npm run measure -- SECONDS URL
 *
 * With neither a daemon nor a URL it is the small server of `evening-server.ts`. The
 * times are told twice: by the wall, and of the processor alone, which is what a
 * machine does that has nothing else to do.
 */
import { spawn } from "node:child_process";
import { once } from "node:events";
import { resolve } from "node:path";
import { createInterface } from "node:readline";
import { fileURLToPath } from "node:url";
import { launch, open } from "./browser.ts";
import { defaults, serve } from "./evening-server.ts";
import { count, type Fetched } from "./measure-bytes.ts";
import { categories, tasksOf, type Task } from "./measure-trace.ts";

const slowdown = 4;
/** What comes before is called loading: after it the sheet stands, and the past is fetched. */
const loadingMs = 10_000;
/** A task longer than this is felt (W3C Long Tasks). */
const longMs = 50;
const drawn = ".fall .curve-strong[d]:not([d=''])";

const [seconds = "60", given] = process.argv.slice(2);

/** A daemon at load, by the bench of fifty tablets. */
async function shed(bin: string): Promise<{ url: string; close(): Promise<void> }> {
  const root = fileURLToPath(new URL("../../../", import.meta.url));
  const child = spawn("go", ["run", "./simulators/tablets", "-serve", "-bin", resolve(bin)], { cwd: root, stdio: ["pipe", "pipe", "inherit"] });
  const [url] = (await Promise.race([once(createInterface(child.stdout), "line"), once(child, "exit")])) as [unknown];
  if (typeof url !== "string") throw new Error(`no shed was served by ${bin}; build it with make build`);
  return {
    url,
    async close() {
      const ended = once(child, "exit");
      child.stdin.end();
      await ended;
    },
  };
}

async function source(): Promise<{ url: string; close(): Promise<void> }> {
  const bin = process.env["ASHLAMP_BIN"];
  if (given) return { url: given, close: async () => undefined };
  return bin ? shed(bin) : serve({ ...defaults, speed: 60, from: 84 });
}

const line = (n: number, what: string): void => console.log(`${String(n).padStart(8)} B  ${what}`);
const total = (all: readonly Fetched[]): number => all.reduce((s, f) => s + f.bytes, 0);

/** What a cold browser fetches, and what the worker fetches after it. */
async function bytes(url: string): Promise<void> {
  const counter = await count(url);
  const browser = await launch();
  try {
    const page = await open(browser, counter.url, { serviceWorkers: "allow" });
    await page.waitForSelector(drawn, { state: "attached" });
    await page.evaluate(async () => {
      await document.fonts.ready;
      if (await navigator.serviceWorker.getRegistration()) await navigator.serviceWorker.ready;
    });
    const all = counter.fetched.filter((f) => !f.path.startsWith("/api/"));
    const byWorker = (f: Fetched): boolean => f.dest === "empty" || f.dest === "serviceworker";
    const first = all.filter((f) => !byWorker(f));
    for (const f of first) line(f.bytes, f.path);
    line(total(first), "first load: what a cold browser fetches, encoded, headers included");
    line(total(all.filter(byWorker)), `fetched afterwards, for opening without a network, in ${all.filter(byWorker).length} answers`);
    line(total(counter.fetched.filter((f) => f.path.startsWith("/api/"))), "of the past and the engines, asked for under /api");
  } finally {
    await browser.close();
    await counter.close();
  }
}

/** What the main thread does from the page being asked for on. */
async function tasks(url: string): Promise<void> {
  const browser = await launch();
  try {
    const page = await open(browser, "about:blank");
    const devtools = await page.context().newCDPSession(page);
    await devtools.send("Emulation.setCPUThrottlingRate", { rate: slowdown });
    await browser.startTracing(page, { categories });
    await page.goto(url);
    await page.waitForSelector(drawn, { state: "attached" });
    await page.waitForTimeout(loadingMs + Number(seconds) * 1000);
    const all = tasksOf(await browser.stopTracing());
    const end = Math.max(...all.map((t) => t.at + t.ms));
    console.log(`main thread at ${slowdown}x slowdown:`);
    tell(`in the first ${loadingMs / 1000} s, load and first drawing included`, all.filter((t) => t.at < loadingMs), loadingMs);
    tell(`in ${Math.round((end - loadingMs) / 1000)} s after that`, all.filter((t) => t.at >= loadingMs), end - loadingMs);
  } finally {
    await browser.close();
  }
}

function tell(when: string, all: readonly Task[], ms: number): void {
  const sum = (of: (t: Task) => number): string => ((100 * all.reduce((s, t) => s + of(t), 0)) / ms).toFixed(0);
  const most = (of: (t: Task) => number): string => Math.max(0, ...all.map(of)).toFixed(0);
  const long = all.filter((t) => t.ms > longMs);
  console.log(
    `  ${when}: busy ${sum((t) => t.cpu)} % (by the wall ${sum((t) => t.ms)} %), longest task ${most((t) => t.cpu)} ms (${most((t) => t.ms)} ms), ` +
      `over ${longMs} ms: ${all.filter((t) => t.cpu > longMs).length} (${long.length})`,
  );
  for (const t of long.sort((a, b) => b.cpu - a.cpu).slice(0, 12)) console.log(`    at ${t.at.toFixed(0)} ms: ${t.cpu.toFixed(0)} ms (${t.ms.toFixed(0)}): ${t.parts}`);
}

const s = await source();
try {
  await bytes(s.url);
  await tasks(s.url);
} finally {
  await s.close();
}
