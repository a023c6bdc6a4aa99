/**
 * The page opened where the shed cannot be reached, in a real browser: with ASHLAMP_BIN
 * on the real daemon, else on the small server. What it shows is old, and says so.
 */
import { readdir, readFile } from "node:fs/promises";
import { createServer, type Server } from "node:http";
import { extname, join } from "node:path";
import { fileURLToPath } from "node:url";
import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { launch, open } from "./browser.ts";
import { demo } from "./daemon.ts";
import { defaults, serve } from "./evening-server.ts";
import { isKept } from "./kept.ts";
import { wire } from "./wire.ts";

let browser: Browser;
const ends: (() => Promise<void>)[] = [];

beforeAll(async () => {
  browser = await launch();
});
afterAll(() => browser?.close());
afterEach(async () => {
  for (const c of browser.contexts()) await c.close();
  for (const end of ends.splice(0).reverse()) await end();
});

async function shed(port = 0): Promise<{ url: string; close(): Promise<void> }> {
  const bin = process.env["ASHLAMP_BIN"];
  const s = bin ? await demo(bin, 120, port) : await serve({ ...defaults, speed: 120, from: 84, port });
  let closed: Promise<void> | undefined;
  const close = (): Promise<void> => (closed ??= s.close());
  ends.push(close);
  return { url: s.url, close };
}

const tablet = (url: string): Promise<Page> => open(browser, url, { serviceWorkers: "allow" }, { person: "R. Penhalow" });
const comesAlive = (page: Page) => page.waitForFunction(() => /^now /.test(document.querySelector(".flag")?.textContent ?? ""), undefined, { timeout: 30_000, polling: 100 });

/** What stands on the page, gathered at one moment. */
const stands = (page: Page) =>
  page.evaluate(() => ({
    head: document.querySelector("h1")?.textContent ?? "",
    reason: document.querySelector(".reason")?.textContent ?? "",
    flag: document.querySelector(".flag")?.textContent ?? "",
    heard: document.querySelector(".heard")?.textContent ?? "",
    stopped: document.querySelector(".stopped")?.textContent ?? "",
    words: [...document.querySelectorAll(".lane .word")].map((e) => e.textContent ?? ""),
    labels: [...document.querySelectorAll(".lane-touch")].map((e) => e.getAttribute("aria-label") ?? ""),
    full: document.querySelectorAll(".figure-full").length,
    outlines: document.querySelectorAll(".figure-outline").length,
    presses: document.querySelectorAll(".press").length,
    ahead: [...document.querySelectorAll(".sheet .ahead")].map((e) => e.textContent ?? "").join(""),
    curve: Array.from(document.querySelectorAll(".fall .curve-strong"), (p) => p.getAttribute("d") ?? "").join("").length,
    bars: document.querySelectorAll(".lane .bar rect").length,
  }));

/** All that is shown is told as old. */
async function showsAllAsOld(page: Page): Promise<void> {
  await page.waitForSelector(".lane .bar rect");
  const s = await stands(page);
  expect(s.head).toMatch(/cannot tell\.$/);
  expect(s.reason).toContain("Nothing heard from the shed for");
  expect(s.flag).toMatch(/^heard \d\d:\d\d$/);
  expect(s.heard).toMatch(/^Heard .* ago$/);
  expect(s.stopped).toContain("This is what this device heard then");
  expect(s.words.length).toBeGreaterThan(0);
  for (const w of [...s.words, ...s.labels]) expect(w).not.toMatch(/proven|not yet/);
  expect([s.full, s.presses, s.ahead]).toEqual([0, 0, ""]);
  expect(s.outlines, "figures are there, as outlines").toBeGreaterThan(0);
  expect(s.curve, "what was measured stays").toBeGreaterThan(20);
  expect(s.bars, "what was judged stays").toBeGreaterThan(0);
}

describe("without a network", () => {
  it("the page opens, says plainly that it is old, and lives again once the daemon is heard", async () => {
    const first = await shed();
    const asked: string[] = [];
    const page = await tablet(first.url);
    page.context().on("request", (r) => asked.push(r.url()));
    await comesAlive(page);
    await page.waitForFunction(() => Array.from(document.querySelectorAll(".fall .curve-strong"), (p) => p.getAttribute("d") ?? "").join("").length > 20, undefined, { timeout: 30_000 });
    await isKept(page);
    await first.close();
    await page.context().setOffline(true);
    await page.reload();
    await page.waitForSelector(".stopped");
    await showsAllAsOld(page);
    await page.waitForFunction(() => /for ([4-9]|[1-9]\d+) s|for \d+ min/.test(document.querySelector(".reason")?.textContent ?? ""), undefined, { timeout: 15_000 });
    await showsAllAsOld(page);
    await page.context().setOffline(false);
    await shed(Number(new URL(first.url).port));
    await comesAlive(page);
    expect((await stands(page)).reason).not.toContain("Nothing heard");
    // A daemon that has just started may be heard before its first samples are.
    await expect.poll(async () => (await stands(page)).full).toBeGreaterThan(0);
    expect(await page.locator(".stopped").count()).toBe(0);
    expect(asked.filter((u) => !u.startsWith(first.url) && !u.startsWith(first.url.replace("http", "ws")))).toEqual([]);
  });

  it("an age of days is told with its day, and a clock set back gives none", async () => {
    const first = await shed();
    const page = await tablet(first.url);
    await comesAlive(page);
    await isKept(page);
    await first.close();
    const context = page.context();
    await context.setOffline(true);
    await page.close();
    const later = await context.newPage();
    await later.clock.setSystemTime(Date.now() + 3 * 86_400_000);
    await later.goto(first.url);
    await later.waitForSelector(".stopped");
    const s = await stands(later);
    expect(s.reason).toContain("for 3 days.");
    expect(s.stopped).toMatch(/Last heard [A-Z][a-z]{2} \d+ [A-Z][a-z]+ \d\d:\d\d, 3 days ago\./);
    expect(await later.locator(".figure-note").first().textContent()).toContain("3 days old");
    await later.close();
    const earlier = await context.newPage();
    await earlier.clock.setSystemTime(Date.now() - 86_400_000);
    await earlier.goto(first.url);
    await earlier.waitForSelector(".stopped");
    const e = await stands(earlier);
    expect([e.full, e.presses, e.heard]).toEqual([0, 0, "Not heard"]);
  });

  it("a network that says nothing does not hold the page up", async () => {
    const s = await shed();
    const line = await wire(s.url);
    ends.push(() => line.close());
    const page = await tablet(line.url);
    await comesAlive(page);
    await isKept(page);
    line.still();
    const from = Date.now();
    await page.reload();
    await page.waitForSelector(".head h1");
    expect(Date.now() - from).toBeLessThan(6_000);
    await page.waitForSelector(".stopped", { timeout: 15_000 });
    await showsAllAsOld(page);
  });
});

/** The built page under another name for its script, as another build has it. */
async function builds(): Promise<{ url: string; take(name: string): void; close(): Promise<void> }> {
  const dist = fileURLToPath(new URL("../dist/", import.meta.url));
  const script = (await readdir(join(dist, "assets"))).find((f) => /^index-.*\.js$/.test(f)) ?? "";
  const types: Record<string, string> = { ".html": "text/html", ".js": "text/javascript", ".css": "text/css", ".webmanifest": "application/manifest+json", ".svg": "image/svg+xml" };
  let build = "one";
  const server: Server = createServer((q, a) => {
    const path = new URL(q.url ?? "/", "http://localhost").pathname;
    const name = path === "/" ? "index.html" : path.slice(1);
    const named = (s: string): string => s.replaceAll(script, `index-${build}.js`).replace(/("?version"?:\s*)"\w+"|("?version"?:\s*)`\w+`/, `$1$2"${build}"`);
    // The script of another build is not there any more.
    if (/index-\w+\.js$/.test(name) && name !== `assets/index-${build}.js`) return void a.writeHead(404).end();
    const of = name === `assets/index-${build}.js` ? `assets/${script}` : name;
    const text = /\.(html|js|css)$/.test(of);
    readFile(join(dist, of)).then(
      (b) => a.writeHead(200, { "Content-Type": types[extname(of)] ?? "application/octet-stream", "Cache-Control": "no-store" }).end(text ? named(b.toString()) : b),
      () => a.writeHead(404).end(),
    );
  });
  await new Promise<void>((done) => server.listen(0, "127.0.0.1", done));
  const address = server.address();
  const close = async (): Promise<void> => {
    server.closeAllConnections();
    await new Promise<void>((done) => server.close(() => done()));
  };
  return { url: `http://127.0.0.1:${typeof address === "object" ? address?.port : ""}/`, take: (name) => void (build = name), close };
}

describe("another build of the page", () => {
  const runs = (page: Page) => page.evaluate(() => [...document.scripts].map((s) => s.src).find((s) => /index-/.test(s))?.replace(/.*index-(\w+)\.js/, "$1"));
  const keptOf = (page: Page) => page.evaluate(async () => (await caches.keys()).filter((k) => k.startsWith("ashlamp-page-")).map((k) => k.replace("ashlamp-page-", "")));
  const keeps = (page: Page, build: string) => expect.poll(() => keptOf(page), { timeout: 30_000, interval: 250 }).toEqual([build]);
  const controlled = (page: Page) => page.waitForFunction(() => navigator.serviceWorker.controller?.state === "activated");

  it("is taken the next time the page is opened, whole, and the old one is forgotten", async () => {
    const server = await builds();
    let closed = false;
    ends.push(async () => (closed ? undefined : server.close()));
    const page = await tablet(server.url);
    await page.waitForSelector("h1");
    await keeps(page, "one");
    await controlled(page);
    server.take("two");
    await page.reload();
    await page.waitForSelector("h1");
    expect(await runs(page)).toBe("two");
    await keeps(page, "two");
    await server.close();
    closed = true;
    await page.reload();
    await page.waitForSelector("h1");
    expect(await runs(page)).toBe("two");
    const kept = await page.evaluate(async () => (await (await caches.open("ashlamp-page-two")).keys()).map((r) => new URL(r.url).pathname));
    expect(kept.filter((p) => /^\/(api|metrics|rules|healthz)/.test(p))).toEqual([]);
    expect(kept).toContain("/assets/index-two.js");
  });

  it("an old page that is still open keeps its own files", async () => {
    const server = await builds();
    ends.push(() => server.close());
    const old = await tablet(server.url);
    await old.waitForSelector("h1");
    await keeps(old, "one");
    await controlled(old);
    server.take("two");
    const next = await old.context().newPage();
    await next.goto(server.url);
    await next.waitForSelector("h1");
    expect(await runs(next)).toBe("two");
    // The new worker has its files, and waits for the old page to be closed.
    await expect.poll(() => next.evaluate(async () => (await navigator.serviceWorker.getRegistration())?.waiting?.state), { timeout: 30_000, interval: 250 }).toBe("installed");
    expect((await keptOf(next)).sort()).toEqual(["one", "two"]);
    const own = await old.evaluate(async () => (await fetch("assets/index-one.js")).status);
    expect(own).toBe(200);
  });
});
