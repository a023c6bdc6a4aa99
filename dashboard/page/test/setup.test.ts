/**
 * Setting up in a real browser, from an empty folder to a calibrated engine, on the
 * real daemon: the one of ASHLAMP_BIN, or one built for it here. Samples come from a
 * real MQTT client over the daemon's own broker.
 */
import { execFileSync, spawn, type ChildProcess } from "node:child_process";
import { once } from "node:events";
import { appendFile, mkdtemp, readFile, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { connectAsync, type MqttClient } from "mqtt";
import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { violations } from "./axe.ts";
import { launch, open } from "./browser.ts";
import { freePort } from "./daemon.ts";
import { field, hold, nameEngine, stage, writeDown } from "./set-up.ts";
import { wire } from "./wire.ts";

let browser: Browser;
let bin = process.env["ASHLAMP_BIN"] ?? "";
let built = "";

beforeAll(async () => {
  if (!bin) {
    built = await mkdtemp(join(tmpdir(), "ashlamp-bin-"));
    bin = join(built, "ashlamp");
    execFileSync("go", ["build", "-o", bin, "./daemon"], { cwd: fileURLToPath(new URL("../../..", import.meta.url)) });
  }
  browser = await launch();
}, 300_000);
afterAll(async () => {
  await browser?.close();
  if (built) await rm(built, { recursive: true, force: true });
});

/** A daemon in an empty folder, with nothing set up, and a broker port of its own. */
interface Shed {
  readonly url: string;
  readonly file: string;
  readonly broker: string;
  close(): Promise<void>;
}

let shed: Shed | undefined;
let client: MqttClient | undefined;
let sending: ReturnType<typeof setInterval> | undefined;

afterEach(async () => {
  clearInterval(sending);
  await client?.endAsync(true);
  client = undefined;
  for (const c of browser.contexts()) await c.close();
  await shed?.close();
  shed = undefined;
});

async function empty(): Promise<Shed> {
  const dir = await mkdtemp(join(tmpdir(), "ashlamp-shed-"));
  const port = await freePort();
  const said: string[] = [];
  const child: ChildProcess = spawn(bin, ["run", "--listen", `127.0.0.1:${port}`], { cwd: dir, stdio: ["ignore", "pipe", "pipe"] });
  for (const s of [child.stdout, child.stderr]) s?.on("data", (d) => void said.push(String(d)));
  const url = `http://127.0.0.1:${port}/`;
  const until = Date.now() + 30_000;
  const close = async (): Promise<void> => {
    if (child.exitCode === null) {
      const ended = once(child, "exit");
      child.kill("SIGTERM");
      await ended;
    }
    await rm(dir, { recursive: true, force: true });
  };
  const hash = async (): Promise<string> => {
    for (;;) {
      try {
        return ((await (await fetch(`${url}api/v1/setup`)).json()) as { file: { hash: string } }).file.hash;
      } catch {
        if (child.exitCode !== null || Date.now() > until) {
          await close();
          throw new Error(`the daemon ${bin} does not serve ${url}; it said: ${said.join("")}`);
        }
        await new Promise((again) => setTimeout(again, 100));
      }
    }
  };
  // The usual port of the broker may be another daemon's on this machine.
  const nodes = await freePort();
  const answer = await fetch(`${url}api/v1/setup/doors`, { method: "PUT", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ hash: await hash(), listen: `127.0.0.1:${nodes}` }) });
  if (!answer.ok) throw new Error(`the broker's port was not taken: ${await answer.text()}`);
  return { url, file: join(dir, "shed.toml"), broker: `mqtt://127.0.0.1:${nodes}`, close };
}

/** A node that sends the boiler's pressure and the firebox, five times a second. */
async function node(broker: string, bar: () => number): Promise<void> {
  client = await connectAsync(broker, { clientId: "yard-7", reconnectPeriod: 200 });
  let n = 0;
  const c = client;
  sending = setInterval(() => {
    // A reading that scatters by 2 mbar about its value, as a transducer does.
    const scatter = [0.002, -0.001, 0, -0.002, 0.001][n++ % 5] ?? 0;
    const pack = [{ n: "boiler.pressure", u: "Pa", v: (bar() + scatter) * 1e5, t: Date.now() / 1000 }, { n: "firebox", u: "Cel", v: 22 + (n % 3), t: Date.now() / 1000 }];
    if (c.connected) c.publish("sheds/fernhollow/engines/quillet/samples", JSON.stringify(pack), { qos: 1 });
  }, 200);
}

async function nameShed(page: Page): Promise<void> {
  await field(page, "Name of the shed").fill("Fernhollow");
  await field(page, "Height above the sea").fill("120");
  await field(page, "People who give their word").fill("R. Penhalow\nT. Oxley");
  await writeDown(page, "The shed");
  await stage(page, "The engines").getByLabel("Name of the engine").waitFor();
}

async function nameFirst(page: Page): Promise<void> {
  await nameEngine(page);
  await page.getByText("The daemon runs by the file below.").waitFor({ timeout: 30_000 });
}

/** How long one thing on the page is waited for: a change opens the daemon's doors anew. */
const waitMs = 40_000;
/** The whole way, with two points of ten seconds each by real time, on a machine that does other things too. */
const wayMs = 300_000;

const sizes = [
  { width: 1280, height: 800 },
  { width: 800, height: 1280 },
  { width: 390, height: 844 },
];

/** What leaves the page, what is too small for a gloved finger, and what has no name. */
const defects = (page: Page): Promise<string[]> =>
  page.evaluate(() => {
    const out: string[] = [];
    const width = document.documentElement.clientWidth;
    if (document.documentElement.scrollWidth > width) out.push(`the page is ${document.documentElement.scrollWidth} px wide on ${width}`);
    for (const e of document.querySelectorAll<HTMLElement>(".set-up button, .set-up a, .set-up select, .set-up textarea, .set-up input:not([type=radio]), .set-up .option")) {
      const r = e.getBoundingClientRect();
      if (r.width === 0) continue;
      if (r.height < 47.5) out.push(`${e.tagName} ${e.textContent || e.id} is ${r.height} px high`);
      if (r.right > width + 1) out.push(`${e.tagName} ${e.textContent || e.id} ends at ${r.right} px`);
    }
    return out;
  });

describe.each(sizes)("at $width x $height", (viewport) => {
  it("goes from an empty folder to an engine that is heard and calibrated, and keeps what a person wrote into the file", async () => {
    shed = await empty();
    let bar = 0.04;
    await node(shed.broker, () => bar);
    // Nobody says where to go: a shed that nobody has set up opens on its setting up.
    const page = await open(browser, `${shed.url}#`, { viewport, timezoneId: "Europe/London" });
    page.setDefaultTimeout(waitMs);
    await page.getByRole("heading", { level: 1, name: "Setting up" }).waitFor();
    await page.waitForSelector(".stage");
    expect(await field(page, "Time zone").inputValue()).toBe("Europe/London");
    expect(await page.getByText("carries no safety integrity level").count()).toBe(1);
    await page.getByRole("button", { name: "The shed has no name and no id yet." }).waitFor();
    expect(await violations(page)).toEqual([]);
    expect(await defects(page)).toEqual([]);

    await field(page, "Your name").fill("R. Penhalow");
    await nameShed(page);
    // The node is heard before there is an engine, and says which one it sends for.
    await page.getByRole("button", { name: "name the engine \u201cquillet\u201d" }).first().waitFor();
    await nameFirst(page);
    const text = await readFile(shed.file, "utf8");
    expect(text).toContain('id = "fernhollow"');
    expect(text).toContain('timezone = "Europe/London"');
    expect(text).toContain("working_pressure_bar = 10");

    // What a person writes by hand is noticed, taken up, and kept by every change after it.
    await appendFile(shed.file, "\n# The regulator was repacked in March; R. P.\n");
    await page.getByRole("button", { name: "Take up the changed file" }).click();
    await page.getByText("The file on disk is in force.").waitFor();

    const heard = stage(page, "What is heard");
    // What was pressed on a file that has just been taken up may be refused, and is pressed again, as a person would.
    const take = heard.getByRole("button", { name: "Take all 2 for Quillet" });
    const taken = heard.getByRole("button", { name: "alter boiler pressure" });
    await take.click();
    await expect
      .poll(
        async () => {
          if ((await taken.count()) > 0) return true;
          // It goes once it is done: then there is nothing to press.
          if ((await take.count()) > 0) await take.click({ timeout: 2_000 }).catch(() => undefined);
          return false;
        },
        { timeout: 60_000, interval: 5_000 },
      )
      .toBe(true);
    await expect.poll(() => heard.locator(".heard-row").filter({ hasText: "boiler.pressure" }).first().innerText(), { timeout: 20_000 }).toContain("0.04");
    // What the steps still want is told by name.
    expect(await heard.getByText(/without it .cannot tell.: .*plugs out/).count()).toBeGreaterThan(0);

    // A range, so that its ends have an uncertainty of their own.
    await heard.getByRole("button", { name: "alter boiler pressure" }).click();
    await field(page, "Range from").fill("-1");
    await field(page, "Range to").fill("16");
    await heard.locator(".alter").getByRole("button", { name: "Write it down" }).click();
    await expect.poll(() => readFile(shed?.file ?? "", "utf8"), { timeout: 30_000 }).toMatch(/range = \[.*16/);
    await heard.getByRole("button", { name: "close", exact: true }).first().click();

    // Two points beside a test gauge that reads a little less than the channel shows.
    const gauge = stage(page, "Beside the gauge");
    await gauge.getByRole("button", { name: "set zero and span: Quillet: boiler pressure" }).click();
    await field(page, "Which gauge").fill("test gauge 0417");
    const point = async (reading: string): Promise<void> => {
      await field(page, "The gauge says").fill(reading);
      await field(page, /^Its uncertainty/).fill("0.02");
      const before = await gauge.locator(".calibrating .points tbody tr").count();
      await gauge.getByRole("button", { name: "Take a point now" }).click();
      await expect.poll(() => gauge.locator(".calibrating .points tbody tr").count(), { timeout: 40_000 }).toBe(before + 1);
    };
    await point("0");
    // Points are work: neither another view nor a fresh page takes them away.
    await page.evaluate(() => void (location.hash = "#/pit"));
    await page.waitForSelector(".crew");
    await page.reload();
    await page.evaluate(() => void (location.hash = "#/set-up"));
    await gauge.locator(".calibrating .points tbody tr").waitFor();
    expect(await field(page, "Which gauge").inputValue()).toBe("test gauge 0417");
    bar = 8.04;
    await point("8");
    await gauge.getByRole("button", { name: "See what would come of it" }).click();
    await gauge.getByText(/Zero moved by/).waitFor();
    expect(await readFile(shed.file, "utf8")).not.toContain("calibration");
    expect(await violations(page)).toEqual([]);
    expect(await defects(page)).toEqual([]);
    await hold(page, /^Keep zero and span/);
    await gauge.getByText(/Zero and span set by R\. Penhalow .*against test gauge 0417/).waitFor({ timeout: 30_000 });

    const end = await readFile(shed.file, "utf8");
    expect(end).toContain("# The regulator was repacked in March; R. P.");
    expect(end).toContain("# The shed's configuration, begun by set-up.");
    expect(end).toContain("test gauge 0417");
    expect(end).toContain("R. Penhalow");
    // The reading is corrected by it: 8.04 as the instrument gives it is 8.00.
    await expect.poll(() => heard.locator(".heard-row").filter({ hasText: "boiler.pressure" }).first().innerText(), { timeout: 20_000 }).toMatch(/8\.00|7\.99|8\.01/);
    // And the file on the page is the file on the disk.
    await expect.poll(() => page.locator(".toml pre").innerText()).toContain("# The regulator was repacked in March; R. P.");
  }, wayMs);
});

describe("what is refused", () => {
  it("stands at its field with its mend, and nothing typed is lost", async () => {
    shed = await empty();
    const page = await open(browser, `${shed.url}#/set-up`, { timezoneId: "Europe/London" });
    await page.waitForSelector(".stage");
    await field(page, "Name of the shed").fill("Fernhollow");
    await field(page, "Time zone").fill("Europe/Fernhollow");
    await field(page, "Height above the sea").fill("a hill");
    await writeDown(page, "The shed");
    // The page itself refuses what is no number.
    await expect.poll(() => field(page, "Height above the sea").getAttribute("aria-invalid")).toBe("true");
    await field(page, "Height above the sea").fill("120");
    await writeDown(page, "The shed");
    // The daemon refuses a zone that is none.
    await expect.poll(() => field(page, "Time zone").getAttribute("aria-invalid")).toBe("true");
    expect(await page.locator("#f-shed-timezone-wrong").innerText()).toContain("Europe/London");
    expect(await page.evaluate(() => document.activeElement?.id)).toBe("f-shed-timezone");
    expect(await field(page, "Name of the shed").inputValue()).toBe("Fernhollow");
    expect(await violations(page)).toEqual([]);
    await page.reload();
    expect(await field(page, "Time zone").inputValue()).toBe("Europe/Fernhollow");
    expect(await field(page, "Height above the sea").inputValue()).toBe("120");
  });

  it("is a change made from a file that is another by now; it can be written anew", async () => {
    shed = await empty();
    const page = await open(browser, `${shed.url}#/set-up`, { timezoneId: "Europe/London" });
    await page.waitForSelector(".stage");
    await nameShed(page);
    await nameFirst(page);
    const other = await open(browser, `${shed.url}#/set-up`);
    await other.waitForSelector(".stage");
    // Held still, the first page does not hear of what the second writes.
    await page.route("**/api/v1/setup", (r) => (r.request().method() === "GET" ? r.abort() : r.continue()));
    await page.getByRole("button", { name: "alter The shed" }).click();
    await field(page, "Name of the shed").fill("Fernhollow shed");
    await other.getByRole("button", { name: "alter The shed" }).click();
    await field(other, "Height above the sea").fill("130");
    await writeDown(other, "The shed");
    await other.getByText("130 m above the sea").waitFor({ timeout: 30_000 });
    await writeDown(page, "The shed");
    await page.getByText("The file was changed meanwhile").waitFor();
    expect(await field(page, "Name of the shed").inputValue()).toBe("Fernhollow shed");
    await page.unroute("**/api/v1/setup");
    await expect.poll(() => page.locator(".toml pre").innerText(), { timeout: 20_000 }).toContain("130");
    await writeDown(page, "The shed");
    await expect.poll(() => readFile(shed?.file ?? "", "utf8"), { timeout: 30_000 }).toContain("Fernhollow shed");
    expect(await readFile(shed.file, "utf8")).toContain("altitude_m = 130");
  });

  it("is a hand-made file that cannot be run; its line is named, and the daemon goes on by the one before", async () => {
    shed = await empty();
    const page = await open(browser, `${shed.url}#/set-up`, { timezoneId: "Europe/London" });
    await page.waitForSelector(".stage");
    await nameShed(page);
    await nameFirst(page);
    const good = await readFile(shed.file, "utf8");
    await writeFile(shed.file, good.replace("altitude_m = 120", "altitude_m = 99999"));
    await page.getByText("The file was changed by hand, and the daemon still runs by the one before.").waitFor();
    expect(await page.locator(".changed li").first().innerText()).toMatch(/^line \d+: .*altitude_m/);
  });
});

it("shows no reading as live once the daemon is not heard, and keeps what is typed", async () => {
  shed = await empty();
  await node(shed.broker, () => 0.04);
  const line = await wire(shed.url);
  try {
    const page = await open(browser, `${line.url}#/set-up`, { timezoneId: "Europe/London" });
    await page.waitForSelector(".stage");
    const heard = stage(page, "What is heard");
    await heard.locator(".now-figure").first().waitFor({ timeout: 20_000 });
    expect(await heard.locator(".now:not(.now-outline)").count()).toBeGreaterThan(0);
    await field(page, "Name of the shed").fill("Fernhollow");
    line.cut();
    await page.getByText(/Nothing heard from the daemon for/).waitFor({ timeout: 20_000 });
    expect(await heard.locator(".now:not(.now-outline)").count()).toBe(0);
    await field(page, "Height above the sea").fill("120");
    await writeDown(page, "The shed");
    await page.getByText("The daemon did not answer. What was typed stays").waitFor();
    expect(await field(page, "Name of the shed").inputValue()).toBe("Fernhollow");
    line.mend();
    await expect.poll(() => page.getByText(/Nothing heard from the daemon for/).count(), { timeout: 20_000 }).toBe(0);
    await writeDown(page, "The shed");
    await stage(page, "The engines").getByLabel("Name of the engine").waitFor({ timeout: 20_000 });
  } finally {
    await line.close();
  }
});

it("plays a rehearsal that cannot be taken for a real evening, and ends it", async () => {
  shed = await empty();
  const page = await open(browser, `${shed.url}#/set-up`, { timezoneId: "Europe/London" });
  await page.waitForSelector(".stage");
  await nameShed(page);
  await nameFirst(page);
  const rehearse = stage(page, "Rehearse");
  await rehearse.getByRole("button", { name: "Start the rehearsal" }).click();
  const link = rehearse.getByRole("link", { name: /Open the rehearsal.s page/ });
  await link.waitFor({ timeout: 40_000 });
  expect(await rehearse.innerText()).toContain("Rehearsal: simulated, no engine of yours");
  const played = await open(browser, (await link.getAttribute("href")) ?? "", {}, { person: "R. Penhalow" });
  await played.getByText(/Rehearsal/).first().waitFor({ timeout: 30_000 });
  await rehearse.getByRole("button", { name: "End the rehearsal" }).click();
  await rehearse.getByRole("button", { name: "Start the rehearsal" }).waitFor({ timeout: 30_000 });
});
