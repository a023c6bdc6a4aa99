/**
 * Figures of the page, printed and judged by nobody: bytes of the first load, and
 * the longest task on a processor slowed fourfold while 16 channels change.
 *
 *     npm run build && npm run measure [URL]
 */
import { launch, open } from "./browser.ts";
import { defaults, serve } from "./evening-server.ts";

const slowdown = 4;
const watchMs = 10_000;

const given = process.argv[2];
const server = given ? undefined : await serve({ ...defaults, speed: 60, from: 84 });
const browser = await launch();
const page = await open(browser, "about:blank", {}, {});
const devtools = await page.context().newCDPSession(page);
await devtools.send("Network.enable");
await devtools.send("Emulation.setCPUThrottlingRate", { rate: slowdown });
const bytes = new Map<string, number>();
const names = new Map<string, string>();
devtools.on("Network.responseReceived", (e) => names.set(e.requestId, new URL(e.response.url).pathname));
devtools.on("Network.loadingFinished", (e) => bytes.set(names.get(e.requestId) ?? e.requestId, e.encodedDataLength));
await page.addInitScript(() => {
  const all: { at: number; ms: number }[] = [];
  Object.assign(window, { longTasks: all });
  new PerformanceObserver((l) => all.push(...l.getEntries().map((e) => ({ at: Math.round(e.startTime), ms: Math.round(e.duration) })))).observe({
    type: "longtask",
    buffered: true,
  });
});
await page.goto(given ?? server?.url ?? "");
await page.waitForSelector(".fall .curve-strong");
await page.waitForTimeout(watchMs);
const tasks = await page.evaluate(() => (window as unknown as { longTasks: { at: number; ms: number }[] }).longTasks);
const first = [...bytes].filter(([path]) => !path.startsWith("/api/"));
for (const [path, n] of first) console.log(`${String(n).padStart(8)} B  ${path}`);
console.log(`${String(first.reduce((s, [, n]) => s + n, 0)).padStart(8)} B  first load over the wire, headers included`);
const loading = tasks.filter((t) => t.at < 2_000 * slowdown * 0.5);
const running = tasks.filter((t) => !loading.includes(t));
console.log(`tasks over 50 ms at ${slowdown}x slowdown: ${tasks.length}`);
console.log(`  while loading: ${JSON.stringify(loading)}`);
console.log(`  in ${watchMs / 1000} s of running: ${JSON.stringify(running)}`);
await browser.close();
await server?.close();
