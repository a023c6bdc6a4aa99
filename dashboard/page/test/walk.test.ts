/**
 * The whole walk that somebody takes who tries the demonstration, through the page alone:
 * from an empty folder to an engine that is set up there, watched until it is housed, and
 * its report on paper. The daemon is the real one, started as "make run" starts it, in a
 * hurry; whoever puts the engine away is the demonstration's crew, by what the page says.
 */
import { execFileSync } from "node:child_process";
import { mkdir, mkdtemp, readdir, readFile, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, expect, it } from "vitest";
import { violations } from "./axe.ts";
import { launch, open } from "./browser.ts";
import { demo } from "./daemon.ts";
import { field, nameEngine, stage } from "./set-up.ts";

const bin = process.env["ASHLAMP_BIN"] ?? fileURLToPath(new URL("../../../bin/ashlamp", import.meta.url));
/** A folder to leave pictures in, for a person who looks at them. */
const look = process.env["WALK_LOOK"] ?? "";

/** As fast as the machine can: the clock moves only when all stand still. */
const speed = 3600;
/** How long one thing on the page is waited for: a change opens the daemon's doors anew. */
const waitMs = 40_000;
/** How long the evening may take on a machine that does other things too. */
const eveningMs = 240_000;

let browser: Browser;
let daemon: Awaited<ReturnType<typeof demo>>;
let papers: string;

beforeAll(async () => {
  papers = await mkdtemp(join(tmpdir(), "ashlamp-papers-"));
  if (look) await mkdir(look, { recursive: true });
  daemon = await demo(bin, speed);
  browser = await launch();
}, 60_000);

afterAll(async () => {
  await browser?.close();
  await daemon?.close();
  await rm(papers, { recursive: true, force: true });
});

const picture = async (page: Page, name: string, fullPage = false): Promise<void> => {
  if (look) await page.screenshot({ path: join(look, `${name}.png`), fullPage });
};

/** Each step's words on the lanes, one after the other, from now on. */
async function note(page: Page): Promise<void> {
  await page.evaluate(() => {
    const noted: Record<string, string[]> = {};
    (window as unknown as { noted: typeof noted }).noted = noted;
    const see = (): void => {
      for (const lane of document.querySelectorAll(".lane-touch")) {
        // A folded row tells several, after a sentence that names them.
        for (const told of (lane.getAttribute("aria-label") ?? "").split(/; |\. /)) {
          const [, step, word] = /^([^,]+), (cannot tell|not yet|proven|done)/.exec(told) ?? [];
          if (!step || !word) continue;
          const all = (noted[step] ??= []);
          if (all.at(-1) !== word) all.push(word);
        }
      }
    };
    new MutationObserver(see).observe(document.body, { subtree: true, childList: true, attributes: true, attributeFilter: ["aria-label"] });
    see();
  });
}
const noted = (page: Page): Promise<Record<string, string[]>> => page.evaluate(() => (window as unknown as { noted: Record<string, string[]> }).noted);

/** The share of a picture that is not paper. */
const ink = (page: Page, png: Buffer): Promise<number> =>
  page.evaluate(async (base64) => {
    const image = new Image();
    image.src = `data:image/png;base64,${base64}`;
    await image.decode();
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [image.width, image.height];
    const c = canvas.getContext("2d");
    if (!c) throw new Error("the browser draws nothing");
    c.drawImage(image, 0, 0);
    const { data } = c.getImageData(0, 0, image.width, image.height);
    let dark = 0;
    for (let i = 0; i < data.length; i += 4) if ((data[i] ?? 255) + (data[i + 1] ?? 255) + (data[i + 2] ?? 255) < 3 * 128) dark++;
    return dark / (data.length / 4);
  }, png.toString("base64"));

const engine = { name: "Osier", id: "osier", bar: "9", litres: "250" };
/** The steps of an engine that is emptied and laid up dry, until it is housed. */
const steps = ["Drop the fire", "Move in steam", "Blow down", "Plugs out", "Open smokebox", "Drain tanks", "House"];

const view = (page: Page, name: string) => page.getByRole("navigation", { name: "Views" }).getByRole("link", { name });

/** Sets the third engine up on the sheet of setting up. */
async function setUp(page: Page): Promise<void> {
  await field(page, "Your name").fill("R. Penhalow");
  const heard = stage(page, "What is heard");
  const asNode = heard.getByRole("button", { name: `name the engine \u201c${engine.id}\u201d` }).first();
  await asNode.scrollIntoViewIfNeeded();
  await picture(page, "1-heard");
  await asNode.click();
  await nameEngine(page, engine.name, engine.bar, engine.litres);
  const limits = stage(page, "The limits").getByRole("region", { name: engine.name });
  // The owner's window for blowing down, without which nothing can be told of it.
  await limits.locator(`input[id$="blow_down_min_bar"]`).fill("0.5");
  await limits.locator(`input[id$="blow_down_max_bar"]`).fill("2.5");
  await limits.getByRole("button", { name: "Write it down" }).click();
  await limits.getByText("Written.").waitFor();
  await picture(page, "2-limits");
  // All that its node sends becomes channels, at one press; from then on its crew has something to go by.
  await heard.getByRole("button", { name: `Take all 9 for ${engine.name}` }).click();
  await page.getByRole("region", { name: `Channels of ${engine.name}` }).getByRole("button", { name: "alter boiler pressure" }).waitFor();
  await picture(page, "3-taken");
}

/** Watches the engine at the pit until it is housed. */
async function watch(page: Page): Promise<void> {
  await page.getByRole("button", { name: `show ${engine.name}` }).click();
  await expect.poll(() => page.locator(".engines strong").innerText()).toBe(engine.name);
  await page.waitForSelector(".lane");
  await note(page);
  const comes = (step: string): Promise<void> =>
    expect.poll(async () => (await noted(page))[step]?.at(-1), { timeout: eveningMs, message: `${step} is done` }).toBe("done");
  await comes("Drop the fire");
  await picture(page, "4-begun");
  await comes("Blow down");
  await picture(page, "5-blown-down");
  await comes("House");
  await page.getByText("At rest").waitFor();
  await picture(page, "6-housed");
  const words = await noted(page);
  expect(words["Plugs out"]?.indexOf("not yet"), `plugs out went ${words["Plugs out"]?.join(", ")}`).toBeGreaterThanOrEqual(0);
  expect(words["Plugs out"]?.indexOf("proven")).toBeGreaterThan(words["Plugs out"]?.indexOf("not yet") ?? Infinity);
  // The lanes keep each step's past as it was judged.
  await page.locator(".lane-fold .lane-touch").first().click();
  for (const step of steps) {
    const lane = page.locator(".lane:not(.lane-fold)").filter({ has: page.getByRole("button", { name: new RegExp(`^${step}, done`) }) });
    await lane.waitFor();
    expect(await lane.locator(".bar-not-yet").count(), `${step} was not yet proven at first`).toBeGreaterThan(0);
  }
  expect(await violations(page)).toEqual([]);
}

/** Fetches the report from the engine's papers, once its disposal is over: half an hour after it was housed. */
async function report(page: Page): Promise<string> {
  const paper = page.locator('[data-paper="report.pdf"]');
  const over = async (): Promise<string> => {
    await view(page, "At the pit").click();
    await page.waitForSelector(".crew");
    await view(page, "Through the years").click();
    await page.getByRole("link", { name: engine.name, exact: true }).click();
    await paper.waitFor();
    return page.locator(".papers").innerText();
  };
  await expect.poll(over, { timeout: waitMs, interval: 1_000 }).not.toContain("It is not ended yet");
  await paper.scrollIntoViewIfNeeded();
  const coming = page.waitForEvent("download");
  await paper.getByRole("button").click();
  const got = await coming;
  const at = join(papers, got.suggestedFilename());
  await got.saveAs(at);
  await paper.getByText(`Handed to this device as ${got.suggestedFilename()}`).waitFor();
  await picture(page, "7-papers");
  return at;
}

it(
  "goes from an empty folder to an engine set up in the page, watched to housed, with its report on paper",
  async () => {
    const page = await open(browser, `${daemon.url}#/pit`, { timezoneId: "Europe/London", acceptDownloads: true });
    page.setDefaultTimeout(waitMs);
    const errors: string[] = [];
    page.on("pageerror", (e) => void errors.push(e.message));

    // The pit has the two engines of the example; the third is heard, and nobody has set it up.
    await page.waitForSelector(".lane");
    expect((await page.locator(".engines").innerText()).split(/\s+/).sort()).toEqual(["Marrow", "Quillet"]);
    await view(page, "Setting up").click();
    await setUp(page);
    await view(page, "At the pit").click();
    await watch(page);
    const pdf = await report(page);

    const pages = execFileSync("pdftotext", ["-layout", pdf, "-"], { encoding: "utf8" }).split("\f").map((p) => p.replace(/\s+/g, " ").trim()).filter((p) => p !== "");
    const text = pages.join(" ");
    expect(pages[0]).toContain(`Disposal of ${engine.name}`);
    expect(pages[0]).not.toContain("was not over");
    for (const line of ["Disposed by (name, signature)", "Examined by (name, signature)", "Date"]) expect(pages[0]).toContain(line);
    for (const page of pages) expect(page).toContain("Advice only: operates nothing, holds nothing shut.");
    // Each step with when it was first proven, for how long, and when it was done.
    for (const step of steps) expect(text).toMatch(new RegExp(`${step} \\d\\d:\\d\\d [^:]{2,20} \\d\\d:\\d\\d (proven|cannot tell)`));
    for (const word of ["Glasses proved", "Fire dropped", "Vent open", "Cocks run dry", "Plugs removed", "Smokebox door ajar"]) expect(text).toContain(`${word} R. Penhalow`);
    // The owner's window, as it was set up.
    expect(text).toMatch(/Highest pressure at which to open the blow-down cocks; the owner's to set 2\.5 bar set by the owner/);
    execFileSync("pdftoppm", ["-r", "96", "-png", pdf, join(papers, "page")]);
    const pictures = (await readdir(papers)).filter((f) => f.endsWith(".png")).sort();
    expect(pictures.length).toBe(pages.length);
    const desk = await (await browser.newContext()).newPage();
    for (const name of pictures) {
      const png = await readFile(join(papers, name));
      if (look) await writeFile(join(look, name), png);
      expect(await ink(desk, png), `${name} is not blank`).toBeGreaterThan(0.005);
    }
    expect(errors).toEqual([]);
  },
  2 * eveningMs,
);
