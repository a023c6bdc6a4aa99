/** The page in a real browser, against a small real server. */
import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { launch, open } from "./browser.ts";
import { defaults, serve, type Options, type Running } from "./evening-server.ts";

let browser: Browser;
let large: Browser;
let server: Running | undefined;

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

const me = { person: "R. Penhalow" };

async function show(o: Partial<Options>, size = { width: 1280, height: 800 }, own: Record<string, string> = me, by = browser): Promise<Page> {
  server = await serve({ ...defaults, ...o });
  const page = await open(by, server.url, { viewport: size }, own);
  await page.waitForSelector(".lane");
  return page;
}

const posted = (): readonly string[] => server?.posted ?? [];

describe("press and hold", () => {
  const waiting = { from: 58, crew: false };
  const at = async (page: Page): Promise<{ x: number; y: number }> => {
    const b = await page.locator(".press").first().boundingBox();
    if (!b) throw new Error("no press is shown");
    return { x: b.x + 80, y: b.y + b.height / 2 };
  };

  it("sends a word held for a second, once, with who says so", async () => {
    const page = await show(waiting);
    const p = await at(page);
    await page.mouse.move(p.x, p.y);
    await page.mouse.down();
    await page.waitForSelector(".press-holding");
    await page.waitForFunction(() => !document.querySelector(".press-holding"));
    await page.mouse.up();
    await expect.poll(posted).toEqual(['POST /api/v1/engines/quillet/confirmations {"confirm":"glasses-proved","by":"R. Penhalow"}']);
    await page.waitForFunction(() => ![...document.querySelectorAll(".press")].some((e) => e.textContent?.includes("Both glasses proved, and water in them?")));
  });

  const cancels: { name: string; by: (page: Page, p: { x: number; y: number }) => Promise<void> }[] = [
    { name: "let go too soon", by: (page) => page.mouse.up() },
    { name: "a slip", by: (page, p) => page.mouse.move(p.x + 30, p.y) },
    { name: "leaving it", by: (page, p) => page.mouse.move(p.x, p.y - 200) },
    {
      name: "a second finger",
      by: (page) =>
        page.evaluate(() => void document.body.dispatchEvent(new PointerEvent("pointerdown", { pointerId: 77, bubbles: true, isPrimary: false }))),
    },
    { name: "the page losing its focus", by: (page) => page.evaluate(() => void window.dispatchEvent(new Event("blur"))) },
  ];
  it.each(cancels)("sends nothing after $name", async ({ by }) => {
    const page = await show(waiting);
    const p = await at(page);
    await page.mouse.move(p.x, p.y);
    await page.mouse.down();
    await page.waitForSelector(".press-holding");
    await by(page, p);
    // A hold that was not cancelled ends too, but not without sending.
    await page.waitForFunction(() => !document.querySelector(".press-holding"));
    // A whole hold more than was begun: what would have been sent is sent by then.
    await page.evaluate(() => new Promise((done) => setTimeout(done, 1_100)));
    expect(posted()).toEqual([]);
  });

  it("is done by Enter or Space held, and not by a tap of either", async () => {
    const page = await show(waiting);
    await page.locator(".press").first().focus();
    await page.keyboard.press("Enter");
    await page.keyboard.press("Space");
    await page.evaluate(() => new Promise((done) => setTimeout(done, 1_100)));
    expect(posted()).toEqual([]);
    await page.keyboard.down("Space");
    await page.waitForFunction(() => !document.querySelector(".press-holding") && document.querySelectorAll(".press").length >= 0);
    await expect.poll(posted, { timeout: 3_000 }).toHaveLength(1);
    await page.keyboard.up("Space");
  });

  it("can be taken back where it was given", async () => {
    const page = await show(waiting);
    const p = await at(page);
    await page.mouse.move(p.x, p.y);
    await page.mouse.down();
    await page.waitForSelector(".ask-said");
    await page.mouse.up();
    expect(await page.locator(".ask-said").innerText()).toContain("Recorded: R. Penhalow says so");
    const given = posted();
    expect(given).toHaveLength(1);
    await page.locator(".ask-said .touch").click();
    await expect.poll(() => posted().filter((c) => c.startsWith("DELETE /api/v1/engines/quillet/confirmations/glasses-proved"))).toHaveLength(1);
    await expect.poll(() => page.locator(".ask-said").count(), { message: "nothing is offered to be taken back twice" }).toBe(0);
  });

  it("says plainly what was refused, and can be held again", async () => {
    const page = await show(waiting);
    server?.failNext();
    const p = await at(page);
    await page.mouse.move(p.x, p.y);
    await page.mouse.down();
    await page.waitForFunction(() => document.querySelector(".press-who")?.textContent?.startsWith("Not recorded. The confirmation was not asked for"));
    await page.mouse.up();
    expect(await page.locator(".press-waiting").count()).toBe(0);
  });

  it("asks who is there before it offers anything, and keeps it", async () => {
    const page = await show(waiting, undefined, {});
    expect(await page.locator(".press").count()).toBe(0);
    await page.getByRole("button", { name: "T. Oxley" }).click();
    expect(await page.locator(".press-who").first().textContent()).toBe("T. Oxley says so");
    expect(await page.evaluate(() => localStorage.getItem("ashlamp.person"))).toBe("T. Oxley");
  });
});

/** Holds a press until it has been taken. */
async function hold(page: Page, press: ReturnType<Page["locator"]>): Promise<void> {
  // Clear of the foot, which lies over the page.
  await press.evaluate((e) => e.scrollIntoView({ block: "center" }));
  const b = await press.boundingBox();
  if (!b) throw new Error("the press is not shown");
  await page.mouse.move(b.x + 60, b.y + b.height / 2);
  await page.mouse.down();
  await page.waitForSelector(".press-holding");
  await page.waitForFunction(() => !document.querySelector(".press-holding"));
  await page.mouse.up();
}

describe("alarms", () => {
  it("the most pressing stands as a line, is acknowledged in place by a held press, and says who knows", async () => {
    const page = await show({ from: 220, fault: "vacuum" });
    expect(await page.locator("h1").textContent()).toBe("Vacuum: the boiler is shut and cooling.");
    expect(await page.locator(".alarm-line .alarm-what").textContent()).toBe("Open the vent slowly and leave it open.");
    expect(await page.locator(".alarm-line .alarm-more").textContent()).toBe("It was to be done by 19:05: 4 min ago. Unacknowledged since 18:35.");
    expect(await page.locator(".alarm-line .strokes").textContent()).toBe("medium");
    await hold(page, page.locator(".alarm-line .press"));
    await expect.poll(posted).toEqual(['POST /api/v1/alarms/quillet.vacuum/acknowledge {"by":"R. Penhalow"}']);
    await page.waitForFunction(() => /Acknowledged by R\. Penhalow at 19:10/.test(document.querySelector(".alarm-line .alarm-more")?.textContent ?? ""));
    expect(await page.locator("h1").textContent(), "the step has the sentence again").toBe("Plugs out: not yet.");
    expect(await page.locator(".alarm-line .alarm-what").textContent()).toMatch(/^Vacuum in the boiler\. \u22120\.\d\d bar in the boiler\. Open the vent/);
    expect(await page.locator(".alarm-line .press").count()).toBe(0);
  });

  it("a tap acknowledges nothing, and what is refused is said", async () => {
    const page = await show({ from: 220, fault: "vacuum" });
    await page.locator(".alarm-line .press").click();
    await page.evaluate(() => new Promise((done) => setTimeout(done, 1_100)));
    expect(posted()).toEqual([]);
    server?.failNext();
    await hold(page, page.locator(".alarm-line .press"));
    await page.waitForFunction(() => document.querySelector(".alarm-line .press-who")?.textContent?.startsWith("Not recorded. There is nothing to acknowledge."));
  });

  it("what is high and still so keeps the sentence; the line asks for the next word", async () => {
    const page = await show({ from: 124, fault: "troubled" });
    expect(await page.locator("h1").textContent()).toBe("Fire, and the plugs are out.");
    expect(await page.locator(".reason").textContent()).toContain("Drop the fire.");
    expect(await page.locator(".alarm-line .alarm-words").textContent()).toMatch(/^A sensor is not to be relied upon\..*Its cause cannot be seen now\.$/);
  });

  it("open as a list in which nothing is hidden", async () => {
    const page = await show({ from: 124, fault: "troubled" });
    const opener = page.locator(".opener");
    expect(await opener.textContent()).toBe("4 alarms, 1 shelved, 2 sensors");
    await opener.click();
    const list = (await page.locator(".list").textContent()) ?? "";
    for (const said of [
      "Acknowledged by T. Oxley at 17:33.", "Too urgent to be shelved.", "Over by itself, unacknowledged since 17:03.", "Time to act: 2 min.",
      "If nobody acts: Plates and tubes burn dry", "shelved by T. Oxley until 18:54: being mended", "suppressed: no fire is in: the water is meant to go",
      "has not changed for 22 min. Look at the sensor, its cock and its pipe. (since 17:12)", "Raised 7 times since the daemon was started.",
      "In ten minutes: 0.4 on average, 1 in the last, 3 at the most. No flood. Chattering, three times within a minute: A sensor is not to be relied upon.",
    ]) expect(list).toContain(said);
    expect(list).not.toMatch(/\bsafe\b|all clear|you may/i);
    const figures = await page.locator(".fall .figure").boundingBox();
    const box = await page.locator(".list").boundingBox();
    expect((figures?.y ?? 0) + (figures?.height ?? 0), "the list lies under the figures").toBeLessThanOrEqual(box?.y ?? 0);
  });

  it("are shelved only in the list, with a reason and an end, and taken up again", async () => {
    const page = await show({ from: 124, fault: "troubled" });
    expect(await page.getByRole("button", { name: /^shelve/ }).count()).toBe(0);
    await page.locator(".opener").click();
    await page.getByRole("button", { name: "shelve: A node's clock is wrong" }).click();
    await page.getByRole("button", { name: "work on the sensor" }).click();
    await page.getByRole("button", { name: "4 h", exact: true }).click();
    await hold(page, page.locator(".form .press"));
    await expect.poll(posted).toEqual(['POST /api/v1/alarms/quillet.clock-wrong/shelve {"by":"R. Penhalow","why":"work on the sensor","minutes":240}']);
    await page.waitForFunction(() => document.querySelector(".list")?.textContent?.includes("shelved by R. Penhalow until 21:34: work on the sensor"));
    await page.getByRole("button", { name: "take up again: A node's clock is wrong" }).click();
    await expect.poll(() => posted().at(-1)).toBe('POST /api/v1/alarms/quillet.clock-wrong/unshelve {"by":"R. Penhalow"}');
  });

  it("on a dead link nothing of them is told as it is now", async () => {
    const page = await show({ from: 124, fault: "troubled" });
    await page.locator(".opener").click();
    server?.cut(true);
    await page.waitForSelector(".stopped");
    expect(await page.locator(".list, .alarm-line .press, .opener, .alarm-stands, h1.alarm, .figure-alarm").count()).toBe(0);
    expect(await page.locator(".alarm-then").textContent()).toMatch(/^When last heard, 17:34: A sensor is not to be relied upon\./);
  });
});

describe("a rest", () => {
  it("is told in sentences, and what comes before a fire stands in front", async () => {
    const page = await show({ from: 20, fault: "resting" });
    const before = (await page.locator(".before").textContent()) ?? "";
    expect(before).toContain("The plugs are said to be out.");
    expect(before).toContain("Booked for repair: mud door 3 weeps at its lower edge. Is it done?");
    const rest = (await page.locator(".rest").textContent()) ?? "";
    for (const said of [
      "since Tue 20 Oct 19:50", "Now: emptied and dry.", "91.2 h watched: 6.4 h damp, 1.5 h near the dew point.", "Dew point 6.3 \u00b0C, the coldest steel 2.1 K above it. 74 % at the steel.",
      "The open barrel dries by 0.62 % an hour. At its limit about Sun 25 Oct", "The air is 4.4 K above the frost limit.", "Nobody has said.", "Damp char eats plates.",
    ]) expect(rest).toContain(said);
  });

  it("takes a repair, its end, the next date, and that somebody looked", async () => {
    const page = await show({ from: 20, fault: "resting" });
    await page.getByRole("button", { name: "book a repair" }).click();
    await page.locator('input[type="text"]').fill("  ash pan door rubs ");
    await hold(page, page.locator(".form .press"));
    await page.waitForFunction(() => document.querySelector(".before")?.textContent?.includes("ash pan door rubs"));
    await page.getByRole("button", { name: "repair done: left injector does not pick up" }).click();
    await hold(page, page.locator(".before .press").last());
    await page.waitForFunction(() => !document.querySelector(".before")?.textContent?.includes("left injector"));
    await page.getByRole("button", { name: "Next wanted: say when" }).click();
    await page.locator('input[type="date"]').fill("2026-11-08");
    await hold(page, page.locator(".form .press"));
    await page.waitForFunction(() => document.querySelector(".rest")?.textContent?.includes("Sun 8 Nov 08:00."));
    await page.getByRole("button", { name: "looked into" }).click();
    await hold(page, page.locator(".form .press"));
    await expect.poll(posted).toEqual([
      'POST /api/v1/engines/quillet/events {"repair":"ash pan door rubs","done":false,"by":"R. Penhalow"}',
      'POST /api/v1/engines/quillet/events {"repair":"left injector does not pick up","done":true,"by":"R. Penhalow"}',
      'POST /api/v1/engines/quillet/events {"wanted":"2026-11-08T08:00:00.000Z","by":"R. Penhalow"}',
      'POST /api/v1/engines/quillet/events {"looked_into":true,"by":"R. Penhalow"}',
    ]);
  });

  it("the plugs are said to be back by a held press", async () => {
    const page = await show({ from: 20, fault: "lighting" });
    expect(await page.locator(".rest").count()).toBe(0);
    await hold(page, page.locator(".before .press").first());
    await expect.poll(posted).toEqual(["DELETE /api/v1/engines/quillet/confirmations/plugs-removed?by=R.%20Penhalow {}"]);
  });

  it("on a dead link is not told", async () => {
    const page = await show({ from: 20, fault: "resting" });
    server?.cut(true);
    await page.waitForSelector(".stopped");
    expect(await page.locator(".rest, .before").count()).toBe(0);
  });
});

describe("lanes", () => {
  it("open their reasons, and a confirmation that stands can be taken back", async () => {
    const page = await show({ from: 84 });
    await page.getByRole("button", { name: /^Move in steam, proven/ }).click();
    expect(await page.locator(".reasons").textContent()).toMatch(/Ash pan shut.*R\. Penhalow.*By eye and ear/);
    await page.getByRole("button", { name: "take back: Ash pan shut" }).click();
    await expect.poll(posted).toEqual(["DELETE /api/v1/engines/quillet/confirmations/ash-pan-shut?by=R.%20Penhalow {}"]);
  });
  it("open by keyboard", async () => {
    const page = await show({ from: 84 });
    await page.locator(".lane-touch").nth(2).focus();
    await page.keyboard.press("Enter");
    expect(await page.locator(".reasons").count()).toBe(1);
  });
});

describe("what a person chooses", () => {
  it("is kept on the device: ground, units, engine", async () => {
    const page = await show({ from: 84 });
    await page.locator(".choose").click();
    for (const w of ["night", "psi", "\u00b0F"]) await page.locator(".choices").getByRole("button", { name: w, exact: true }).click();
    await page.getByRole("button", { name: "show Marrow" }).click();
    await page.reload();
    await page.waitForSelector(".lane");
    expect(await page.locator("html").getAttribute("data-ground")).toBe("night");
    expect(await page.locator(".figure small").first().textContent()).toBe("psi");
    expect(await page.locator(".engines strong").textContent()).toBe("Marrow");
    expect(await page.locator(".reason").textContent()).not.toMatch(/ bar\b/);
  });
});

/** Texts that lie on each other or leave the page, what is cut, and targets too low for a gloved hand. */
const defects = (page: Page) =>
  page.evaluate(() => {
    const foot = document.querySelector("footer");
    if (foot) foot.style.position = "static";
    const out: string[] = [];
    const texts: { t: string; r: DOMRect; e: Element }[] = [];
    const walk = document.createTreeWalker(document.querySelector("main") ?? document.body, NodeFilter.SHOW_TEXT);
    for (let n = walk.nextNode(); n; n = walk.nextNode()) {
      const e = n.parentElement;
      if (!e || !n.textContent?.trim() || e.closest(".aloud, .press-over, noscript") || getComputedStyle(e).visibility === "hidden") continue;
      const range = document.createRange();
      range.selectNodeContents(n);
      for (const r of range.getClientRects()) {
        // The box of a line is taller than its letters.
        const letters = new DOMRect(r.x, r.y + 0.15 * r.height, r.width, 0.7 * r.height);
        texts.push({ t: n.textContent.trim(), r: letters, e });
      }
    }
    const width = document.documentElement.clientWidth;
    if (document.documentElement.scrollWidth > width) out.push(`the page is ${document.documentElement.scrollWidth} px wide on ${width}`);
    texts.forEach((a, i) => {
      if (a.r.left < -0.5 || a.r.right > width + 0.5) out.push(`leaves the page: ${a.t}`);
      for (const b of texts.slice(i + 1)) {
        const w = Math.min(a.r.right, b.r.right) - Math.max(a.r.left, b.r.left);
        const h = Math.min(a.r.bottom, b.r.bottom) - Math.max(a.r.top, b.r.top);
        if (w > 1 && h > 1) out.push(`"${a.t}" lies on "${b.t}"`);
      }
    });
    for (const e of document.querySelectorAll<HTMLElement>(".stamp, .open-bar, .press, .lane .name span, .slot")) {
      if (e.scrollWidth > e.clientWidth + 2 && e.clientWidth > 0) out.push(`is cut: ${e.textContent}`);
    }
    const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
    for (const e of document.querySelectorAll<HTMLElement>("button, input")) {
      const h = e.getBoundingClientRect().height;
      if (h < Math.min(48, 3 * rem) - 0.5) out.push(`is ${h} px high: ${e.getAttribute("aria-label") ?? e.textContent}`);
    }
    return out;
  });

describe("nothing overlaps, leaves the page, is cut or too low", () => {
  const sizes = [
    { width: 1280, height: 800 },
    { width: 800, height: 1280 },
    { width: 390, height: 844 },
    { width: 1024, height: 768 },
  ];
  const moments: { name: string; o: Partial<Options> }[] = [
    { name: "fire in", o: { from: 12 } },
    { name: "before the blow-down", o: { from: 87 } },
    { name: "plugs proven", o: { from: 122 } },
    { name: "a vacuum", o: { from: 220, fault: "vacuum" } },
    { name: "a sensor missing", o: { from: 90, fault: "pressure-missing" } },
    { name: "an empty store", o: { empty: true } },
    { name: "late", o: { from: 300 } },
    { name: "much the matter", o: { from: 124, fault: "troubled" } },
    { name: "a clock that is wrong", o: { from: 70, fault: "clock-ahead" } },
    { name: "thirty-four alarms at once", o: { from: 124, fault: "flooded" } },
    { name: "at rest", o: { from: 20, fault: "resting" } },
    { name: "lighting up", o: { from: 20, fault: "lighting" } },
  ];
  for (const size of sizes) {
    it.each(moments)(`${size.width}x${size.height}, $name`, async ({ o }) => {
      const page = await show(o, size);
      await page.evaluate(() => document.fonts.ready);
      await page.waitForFunction(() => document.querySelector(".sheet .curve, .sheet .empty"));
      expect(await defects(page)).toEqual([]);
    });
    it(`${size.width}x${size.height}, the link lost and a lane open`, async () => {
      const page = await show({ from: 87 }, size);
      await page.evaluate(() => document.fonts.ready);
      await page.locator(".lane-touch").nth(1).click();
      expect(await defects(page)).toEqual([]);
      server?.cut(true);
      await page.waitForSelector(".stopped");
      expect(await defects(page)).toEqual([]);
    });
    it(`${size.width}x${size.height}, the list open, and a word being given`, async () => {
      const page = await show({ from: 124, fault: "troubled" }, size);
      await page.evaluate(() => document.fonts.ready);
      await page.locator(".opener").click();
      await page.getByRole("button", { name: "shelve: A sensor is not to be relied upon" }).click();
      await page.getByRole("button", { name: "book a repair" }).click();
      await page.locator('input[type="text"]').fill("left injector does not pick up water when the tank is low");
      expect(await defects(page)).toEqual([]);
    });
    it(`${size.width}x${size.height}, the list open, text twice as large`, async () => {
      const page = await show({ from: 124, fault: "troubled" }, size, me, large);
      await page.evaluate(() => document.fonts.ready);
      await page.locator(".opener").click();
      expect(await defects(page)).toEqual([]);
    });
    it(`${size.width}x${size.height}, text twice as large`, async () => {
      const page = await show({ from: 87 }, size, me, large);
      await page.evaluate(() => document.fonts.ready);
      expect(await defects(page)).toEqual([]);
    });
  }
});

describe("what is heard", () => {
  it("nothing yet: says so and offers nothing", async () => {
    server = await serve(defaults);
    server.cut(true);
    const page = await open(browser, server.url, {}, me);
    await page.waitForFunction(() => document.querySelector("h1")?.textContent === "Nothing heard yet.");
    expect(await page.locator(".press").count()).toBe(0);
    server.cut(false);
    await page.waitForSelector(".lane", { timeout: 5_000 });
  });

  it("a sensor that is missing turns its figure and its steps, and nothing else", async () => {
    const page = await show({ from: 90, fault: "pressure-missing" });
    expect(await page.locator(".fall .figure-outline").count()).toBe(1);
    expect(await page.locator(".heat .figure-full").count()).toBe(2);
    expect(await page.locator("h1").textContent()).toBe("Move in steam: cannot tell.");
  });

  it("the sentence stands in a live region", async () => {
    const page = await show({ from: 84 });
    expect(await page.locator('[role="status"]').textContent()).toContain("Move in steam: proven.");
  });
});
