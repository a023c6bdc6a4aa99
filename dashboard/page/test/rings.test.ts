/**
 * What rings, in a real browser on the real daemon, with a webhook's far end that is read
 * here and a mail server that is not there. What a browser shows of a push message is
 * looked at as it comes out: the message is put in where the vendor's push service would
 * deliver it, which is the one part that cannot run here.
 */
import { createECDH, randomBytes } from "node:crypto";
import { fileURLToPath } from "node:url";
import type { Browser, BrowserContext, CDPSession, Page, Worker } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { violations } from "./axe.ts";
import { launch, open } from "./browser.ts";
import { isKept } from "./kept.ts";
import { ringing, type Ringing } from "./rings.ts";
import { json } from "./through.ts";

const bin = process.env["ASHLAMP_BIN"] ?? fileURLToPath(new URL("../../../bin/ashlamp", import.meta.url));

let browser: Browser;
let shed: Ringing;

beforeAll(async () => {
  browser = await launch();
  shed = await ringing(bin, process.env["PAGE"]);
}, 60_000);
afterAll(async () => {
  await browser?.close();
  await shed?.close();
});
afterEach(async () => {
  for (const c of browser.contexts()) await c.close();
});

const me = { person: "R. Penhalow" };
const at = "#/shed/rings";
const desk = { width: 1280, height: 800 };

/** As the daemon has it, asked without the page. */
async function alerts(person = me.person): Promise<{ choice: Record<string, unknown>; ways: { id: string; name?: string; open: boolean }[]; letters: { state: string; way: string }[]; failing?: string }> {
  return (await (await fetch(`${shed.url}api/v1/people/${encodeURIComponent(person)}/alerts`)).json()) as Awaited<ReturnType<typeof alerts>>;
}
async function choose(change: object, person = me.person): Promise<void> {
  const answer = await fetch(`${shed.url}api/v1/people/${encodeURIComponent(person)}/alerts`, {
    method: "PUT",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ choice: { engines: [], kinds: ["ready", "alarm"], lowest: "high", pressure: "bar", temperature: "C", after: 0, ...change } }),
  });
  expect(answer.status, await answer.text()).toBe(200);
}

const way = (page: Page, name: string | RegExp) => page.locator(".rings-way").filter({ has: page.getByRole("heading", { name }) });
/** A choice that opens all there is on the page. */
const full = { quiet_from: "22:00", quiet_to: "06:30", mail: "r.penhalow@fernhollow.example", engines: ["quillet"] };
const writes = async (page: Page): Promise<void> => {
  await page.getByRole("button", { name: "Write it down" }).click();
  await page.getByText("Written down. It counts from now on.").waitFor();
};

describe.each([
  { name: "phone", width: 390, height: 844 },
  { name: "tablet", ...desk },
  { name: "tablet upright", width: 800, height: 1280 },
])("what rings on a $name", (size) => {
  it.each(["day", "night", "sun"])("by %s can be read, reached and touched by anybody", async (ground) => {
    await choose(full);
    const page = await open(browser, shed.url + at, { viewport: size }, { ...me, ground });
    await page.waitForSelector(".rings-way");
    expect(await violations(page)).toEqual([]);
    const low = await page.locator("a, button, input:not([type=checkbox]):not([type=radio]), select, .rings-option").evaluateAll((all) => all.filter((e) => e.getBoundingClientRect().height < 47.5).map((e) => e.outerHTML));
    expect(low, "nothing too low for a glove").toEqual([]);
    expect(await page.evaluate(() => document.documentElement.scrollWidth)).toBeLessThanOrEqual(size.width);
  });
  it("with text at 200 % nothing is cut", async () => {
    await choose(full);
    const big = await launch(32);
    try {
      const page = await open(big, shed.url + at, { viewport: size }, me);
      await page.waitForSelector(".rings-way");
      expect(await page.evaluate(() => document.documentElement.scrollWidth)).toBeLessThanOrEqual(size.width);
      const cut = await page.locator("main *").evaluateAll((all, width) => all.filter((e) => !e.classList.contains("aloud") && e.children.length === 0 && e.getBoundingClientRect().right > width + 1).map((e) => e.textContent), size.width);
      expect(cut).toEqual([]);
    } finally {
      await big.close();
    }
  });
});

describe("who watches the shed from outside", () => {
  it("is told with its last sign of life, and since when and why it takes none", async () => {
    const page = await open(browser, shed.url + at, { viewport: desk }, me);
    const watcher = page.getByRole("region", { name: "If the shed falls silent" });
    await watcher.getByText(/^It took the last sign of life at .+, and rings when none comes\.$/).waitFor();
    shed.watch(503);
    try {
      await watcher.getByText(/^It has taken no sign of life since .+503.+ The last one it took was at .+\.$/).waitFor();
      await watcher.getByText("fails", { exact: true }).waitFor();
    } finally {
      shed.watch(204);
    }
    await watcher.getByText("takes", { exact: true }).waitFor();
  });
});

describe("what a person chooses", () => {
  it("is led to from the shed, kept by the daemon, and read as a sentence", async () => {
    await choose({}, "T. Oxley");
    const page = await open(browser, `${shed.url}#/shed`, { viewport: desk });
    await page.getByRole("link", { name: "What rings at home" }).click();
    await page.getByRole("group", { name: "Who is to be rung?" }).getByRole("button", { name: "T. Oxley" }).click();
    await page.getByText("Nothing rings: no way is open.").waitFor();
    await page.getByLabel("Only these").first().check();
    await page.getByRole("button", { name: "Write it down" }).click();
    await page.getByText("Choose at least one engine, or every engine.").waitFor();
    await page.getByLabel("Marrow").check();
    await page.getByLabel("Low battery").check();
    await page.getByLabel("Ready to house").uncheck();
    await page.getByLabel("Medium and high", { exact: true }).check();
    await page.getByLabel("Keep hours quiet").check();
    await page.getByLabel("From", { exact: true }).fill("21:15");
    await page.getByLabel("Turn").selectOption({ label: "Second, when nobody has acknowledged it" });
    await page.getByLabel("Mail address").fill("not an address");
    await page.getByLabel("psi").check();
    await page.getByRole("button", { name: "Write it down" }).click();
    await page.locator(".rings-refused").getByText("not an address").waitFor();
    expect(await page.getByLabel("Mail address").inputValue(), "what was typed stays").toBe("not an address");
    await page.getByLabel("Mail address").fill("t.oxley@fernhollow.example");
    await writes(page);
    expect((await alerts("T. Oxley")).choice).toEqual({
      engines: ["marrow"], kinds: ["alarm", "battery"], lowest: "medium", quiet_from: "21:15", quiet_to: "06:30",
      pressure: "psi", temperature: "C", mail: "t.oxley@fernhollow.example", after: 1,
    });
    await page.getByText("Rings by mail.").waitFor();
    await page.getByText("For Marrow: alarms of high and medium priority and a low battery. From 21:15 to 06:30 only alarms of high priority ring; the rest waits until 06:30.").waitFor();
    await page.reload();
    await page.getByText("For Marrow:").waitFor();
    expect(await page.getByLabel("Low battery").isChecked()).toBe(true);
  });

  it("can be given up before it is written, and never goes to another person", async () => {
    await choose({ kinds: ["ready"] });
    const page = await open(browser, shed.url + at, { viewport: desk }, me);
    await page.getByLabel("Low battery").check();
    await page.getByRole("button", { name: "Give the changes up" }).click();
    expect(await page.getByLabel("Low battery").isChecked()).toBe(false);
    await page.getByLabel("Low battery").check();
    await page.getByRole("button", { name: "T. Oxley" }).click();
    await page.getByText("For Marrow:").waitFor();
    await page.getByRole("button", { name: "R. Penhalow" }).click();
    await page.getByText("For every engine of the shed: ready to house.").waitFor();
    expect(await page.getByLabel("Low battery").isChecked()).toBe(false);
  });

  it("stays where the daemon is not heard, and what stands there is told as old", async () => {
    const page = await open(browser, shed.url + at, { viewport: desk }, me);
    await page.getByLabel("Low battery").check();
    shed.door.cut(true);
    try {
      await page.getByText(/^The shed has not answered since .*\d\d:\d\d, for \d+ s\./).waitFor({ timeout: 30_000 });
      await page.getByText("By what it rings cannot be told now.").waitFor();
      expect(new Set(await page.locator(".rings-way .rings-stands").allInnerTexts())).toEqual(new Set(["not known"]));
      await page.getByRole("button", { name: "Write it down" }).click();
      await page.locator(".rings-refused").getByText("did not answer").waitFor();
      expect(await page.getByLabel("Low battery").isChecked()).toBe(true);
    } finally {
      shed.door.cut(false);
    }
    await page.locator(".rings-quiet").waitFor({ state: "detached", timeout: 30_000 });
    await writes(page);
    expect((await alerts()).choice["kinds"]).toContain("battery");
  });
});

describe("a way out", () => {
  it("is tried with one press, and what became of it is told", async () => {
    await choose({ webhook: true });
    const page = await open(browser, shed.url + at, { viewport: desk }, me);
    const hook = way(page, "The shed\u2019s webhook");
    await hook.getByText("not tried").waitFor();
    const before = shed.posted.length;
    await hook.getByRole("button").click();
    await hook.getByText(/^Taken at \d\d:\d\d:\d\d\./).waitFor();
    expect(shed.posted.slice(before).map((p) => [p.type, p.data.line])).toEqual([["ashlamp.test", "Fernhollow shed: a test, asked for by R. Penhalow. It tells nothing of any engine."]]);
    await hook.getByText("takes", { exact: true }).waitFor();
    await page.locator(".rings-message").getByText("The shed\u2019s webhook: ").first().waitFor();
    await page.getByText("Rings by the webhook.").waitFor();
    shed.answer(500);
    try {
      await hook.getByRole("button").click();
      await hook.locator(".rings-refused").getByText(/^Not taken: .*500/).waitFor();
      await hook.getByText("fails", { exact: true }).waitFor();
      await page.getByText("Nothing gets through: the webhook fails.").waitFor();
      await page.locator(".rings-message").first().getByText("given up").waitFor();
    } finally {
      shed.answer(204);
    }
    await hook.getByRole("button").click();
    await page.getByText("Rings by the webhook.").waitFor();
  });

  it("that has been failing is told where the person looks", async () => {
    await choose({ mail: "r.penhalow@fernhollow.example" });
    const page = await open(browser, shed.url + at, { viewport: desk }, me);
    const mail = way(page, "Mail to r.penhalow@fernhollow.example");
    await mail.getByRole("button").click();
    await mail.locator(".rings-refused").getByText("connection refused").waitFor({ timeout: 30_000 });
    // After a minute of the shed's clock.
    await expect.poll(async () => (await alerts()).failing ?? "", { timeout: 30_000 }).toMatch(/^Mail has taken nothing since/);
    await page.locator(".rings-fails").getByText("Mail has taken nothing since").waitFor();
    const pit = await open(browser, `${shed.url}#/pit`, { viewport: desk }, me);
    await pit.getByRole("link", { name: /^R\. Penhalow: Mail has taken nothing since/ }).waitFor({ timeout: 30_000 });
    await pit.getByText("Rings to R.P. fail").click();
    await pit.getByRole("heading", { name: "What rings" }).waitFor();
    const phone = await open(browser, `${shed.url}#/shed`, { viewport: { width: 390, height: 844 } }, me);
    const line = phone.locator(".failing");
    await line.getByText(/^R\. Penhalow: Mail has taken nothing since .*\d\d:\d\d\./).waitFor({ timeout: 30_000 });
    expect(await line.innerText()).not.toContain("refused");
    expect(await violations(phone)).toEqual([]);
    const other = await open(browser, `${shed.url}#/shed`, { viewport: desk }, { person: "T. Oxley" });
    await other.waitForSelector(".shed-engine");
    await other.waitForTimeout(4_000);
    expect(await other.locator(".failing").count(), "nobody else\u2019s").toBe(0);
  });
});

describe("this browser as a way", () => {
  const here = (page: Page) => page.locator(".rings-here");

  it("cannot be rung from a page that came without https, and says so", async () => {
    const named = await launch(16, ["--host-resolver-rules=MAP shed.local 127.0.0.1"]);
    try {
      const port = new URL(shed.url).port;
      const page = await open(named, `http://shed.local:${port}/${at}`, { viewport: desk }, me);
      await here(page).getByText(`This one came from http://shed.local:${port}.`).waitFor();
      expect(await page.getByRole("button", { name: "Ring this browser" }).count()).toBe(0);
    } finally {
      await named.close();
    }
  });

  it("says what to do where it was told to show nothing", async () => {
    const page = await open(browser, shed.url + at, { viewport: desk }, me);
    await page.evaluate(() => Notification.requestPermission()); // A browser without a screen says no.
    await page.reload();
    await here(page).getByText("This browser was told to show no messages of this page.").waitFor();
  });

  it("asks for leave on a press only, and says why the push service gave no address", async () => {
    const page = await open(browser, shed.url + at, { viewport: desk, serviceWorkers: "allow", permissions: ["notifications"] }, me);
    const asked = await page.evaluateHandle(() => {
      const calls: string[] = [];
      const real = Notification.requestPermission.bind(Notification);
      Notification.requestPermission = () => (calls.push("asked"), real());
      return calls;
    });
    await page.evaluate(() => navigator.serviceWorker.ready);
    await page.waitForTimeout(3_500);
    expect(await asked.jsonValue()).toEqual([]);
    await page.getByRole("button", { name: "Ring this browser" }).click();
    await here(page).locator(".rings-refused").getByText("The browser got no address from its push service").waitFor({ timeout: 30_000 });
    expect(await asked.jsonValue()).toEqual(["asked"]);
    expect((await alerts()).ways.filter((w) => w.id.startsWith("push/"))).toEqual([]);
  });

  it("becomes a way with the subscription that the push service gives, is tried, and is taken away", async () => {
    const page = await open(browser, "about:blank#", { viewport: desk, serviceWorkers: "allow", permissions: ["notifications"] }, me);
    const keys = createECDH("prime256v1");
    const sub = { endpoint: "https://127.0.0.1:9/send/abc", p256dh: keys.generateKeys().toString("base64url"), auth: randomBytes(16).toString("base64url") };
    // The vendor's push service, which cannot be reached from a test, is what is stood in for.
    await page.context().addInitScript((s) => {
      if (!("PushManager" in window)) return;
      const given = (key: ArrayBuffer) => ({ endpoint: s.endpoint, options: { applicationServerKey: key }, toJSON: () => ({ endpoint: s.endpoint, keys: { p256dh: s.p256dh, auth: s.auth } }), unsubscribe: async () => ((kept = null), true) });
      let kept: ReturnType<typeof given> | null = null;
      PushManager.prototype.getSubscription = async () => kept as unknown as PushSubscription;
      PushManager.prototype.subscribe = async (o) => {
        const key = o?.applicationServerKey as Uint8Array<ArrayBuffer>;
        if (!o?.userVisibleOnly || key.length !== 65 || key[0] !== 4) throw new Error("not the key of a daemon");
        return (kept = given(key.buffer)) as unknown as PushSubscription;
      };
    }, sub);
    await page.goto(shed.url + at);
    await page.getByLabel("What do you call it?").fill("the bench by the door");
    await page.getByRole("button", { name: "Ring this browser" }).click();
    await here(page).getByText("This browser is rung from now on.").waitFor({ timeout: 30_000 });
    const own = way(page, /the bench by the door.*\(this one\)/);
    await own.waitFor();
    expect((await alerts()).ways.filter((w) => w.id.startsWith("push/")).map((w) => w.name)).toEqual(["the bench by the door"]);
    expect(await page.getByRole("button", { name: "Ring this browser" }).count()).toBe(0);
    await own.getByRole("button", { name: /^Ring it now/ }).click();
    await own.locator(".rings-refused").getByText(/^Not taken: /).waitFor({ timeout: 40_000 });
    await own.getByRole("button", { name: /^Ring it no longer/ }).click();
    await own.waitFor({ state: "detached" });
    await page.getByRole("button", { name: "Ring this browser" }).waitFor();
    expect((await alerts()).ways.filter((w) => w.id.startsWith("push/"))).toEqual([]);
  });
});

describe("a push message", () => {
  const hour = 3_600_000;
  const message = (change: object = {}): string =>
    JSON.stringify({
      line: "Quillet is cool enough to push into the shed. Confirm first: ash cleared.", tag: "quillet/cool-enough//20310504t170200z", place: "#/pit?engine=quillet",
      until: new Date(Date.now() + hour).toISOString(), turn: "began", n: 1, t: new Date().toISOString(), wakes: true, ...change,
    });

  interface Phone {
    readonly context: BrowserContext;
    readonly page: Page;
    readonly worker: Worker;
    deliver(data: string): Promise<void>;
  }

  /** A browser with the page kept, and the place where its push service hands a message over. */
  async function phone(): Promise<Phone> {
    const page = await open(browser, `${shed.url}#/shed`, { viewport: { width: 390, height: 844 }, serviceWorkers: "allow", permissions: ["notifications"] }, me);
    const context = page.context();
    const cdp: CDPSession = await context.newCDPSession(page);
    // Of the browser's registrations the one whose worker this page has: another test's may still be told.
    const { targetInfo } = await cdp.send("Target.getTargetInfo");
    const ids = new Set<string>();
    cdp.on("ServiceWorker.workerVersionUpdated", (e) => e.versions.forEach((v) => void (v.controlledClients?.includes(targetInfo.targetId) && ids.add(v.registrationId))));
    await cdp.send("ServiceWorker.enable");
    await page.waitForFunction(() => navigator.serviceWorker.controller?.state === "activated", undefined, { timeout: 30_000 });
    await expect.poll(() => ids.size, { timeout: 10_000 }).toBe(1);
    const [registrationId = ""] = ids;
    const worker = context.serviceWorkers()[0];
    if (!worker) throw new Error("the page has no worker");
    return { context, page, worker, deliver: async (data) => void (await cdp.send("ServiceWorker.deliverPushMessage", { origin: new URL(shed.url).origin, registrationId, data })) };
  }

  const onScreen = (p: Phone) =>
    p.page.evaluate(async () =>
      (await (await navigator.serviceWorker.ready).getNotifications()).map((n) => ({ title: n.title, body: n.body, tag: n.tag, silent: n.silent, renotify: (n as Notification & { renotify?: boolean }).renotify, data: n.data as unknown })),
    );
  const comes = (p: Phone, body: string) => expect.poll(async () => (await onScreen(p)).map((n) => n.body), { timeout: 10_000 }).toEqual([body]);

  it("comes up as one message a cause, is renewed when worse, and is taken back in place", async () => {
    const p = await phone();
    await p.deliver(message());
    await comes(p, "Confirm first: ash cleared.");
    expect(await onScreen(p)).toEqual([
      { title: "Quillet is cool enough to push into the shed.", body: "Confirm first: ash cleared.", tag: "quillet/cool-enough//20310504t170200z", silent: false, renotify: true, data: { place: "#/pit?engine=quillet", n: 1 } },
    ]);
    await p.deliver(message({ turn: "worse", n: 2, line: "Quillet: worse. Look." }));
    await comes(p, "Look.");
    expect((await onScreen(p))[0]).toMatchObject({ silent: false, renotify: true });
    await p.deliver(message({ turn: "over", n: 3, line: "Quillet: no longer proven cool enough. Leave it outside." }));
    await comes(p, "Leave it outside.");
    expect((await onScreen(p))[0]).toMatchObject({ title: "Quillet: no longer proven cool enough.", silent: false, renotify: true });
    // What the newer turn overtook on its way is not told any more.
    await p.deliver(message());
    await p.deliver(message({ tag: "marrow/ready//1", line: "Marrow is ready to be housed. Look once more.", place: "#/pit?engine=marrow" }));
    await expect.poll(async () => (await onScreen(p)).map((n) => n.body).sort(), { timeout: 10_000 }).toEqual(["Leave it outside.", "Look once more."]);
  });

  it("that comes too late tells nothing of what was so", async () => {
    const p = await phone();
    await p.deliver(message());
    await comes(p, "Confirm first: ash cleared.");
    await p.deliver(message({ n: 2, turn: "worse", until: new Date(Date.now() - 1_000).toISOString() }));
    await comes(p, "It does not tell any more how it is now. Open the page and look.");
    expect(await onScreen(p)).toMatchObject([{ title: "A message came too late", silent: true }]);
  });

  /** A press, in the worker: a browser without a screen has nobody who could press. */
  const press = (p: Phone, tag: string) =>
    p.worker.evaluate(async (t) => {
      const sw = globalThis as unknown as ServiceWorkerGlobal;
      const [n] = await sw.registration.getNotifications({ tag: t });
      if (!n) throw new Error("nothing is shown to be pressed");
      sw.dispatchEvent(new sw.NotificationEvent("notificationclick", { notification: n }));
    }, tag);

  it("that is pressed opens its engine in the page that is open, and is gone from the screen", async () => {
    const p = await phone();
    await p.deliver(message({ tag: "m", place: "#/pit?engine=marrow" }));
    await comes(p, "Confirm first: ash cleared.");
    await press(p, "m");
    await p.page.waitForSelector(".sheet");
    await expect.poll(() => p.page.locator(".engines strong").innerText()).toBe("Marrow");
    expect(new URL(p.page.url()).hash).toBe("#/pit");
    expect(await onScreen(p)).toEqual([]);
    await p.deliver(message({ tag: "q" }));
    await comes(p, "Confirm first: ash cleared.");
    await press(p, "q");
    await expect.poll(() => p.page.locator(".engines strong").innerText()).toBe("Quillet");
    expect(p.context.pages().length, "no second page").toBe(1);
  });

  it("that is pressed without a network opens the kept page, which says when it last heard", async () => {
    const p = await phone();
    await p.page.waitForSelector(".shed-engine");
    await isKept(p.page);
    await p.page.goto("about:blank");
    await p.context.setOffline(true);
    shed.door.cut(true);
    try {
      const page = await p.context.newPage();
      await page.goto(`${shed.url}#/pit?engine=marrow`);
      await page.waitForSelector(".stopped", { timeout: 20_000 });
      expect(await page.locator(".stopped").innerText()).toMatch(/Last heard .*\d\d:\d\d/);
      expect(await page.locator("h1").innerText()).toMatch(/cannot tell\.$/);
      await expect.poll(() => page.locator(".engines strong").innerText()).toBe("Marrow");
    } finally {
      shed.door.cut(false);
    }
  });
});

/** What of a worker's own names is used here. */
interface ServiceWorkerGlobal {
  readonly registration: ServiceWorkerRegistration;
  readonly NotificationEvent: new (type: string, init: { notification: Notification }) => Event;
  dispatchEvent(e: Event): boolean;
}

it("a daemon that rings nobody says so in its own words", async () => {
  shed.door.put("GET", "/alerts", json({ type: "/problems/no-alerts", title: "Rings nobody", status: 404, detail: "This daemon rings nobody.", mend: "Start it anew.", instance: "" }, 404));
  try {
    const page = await open(browser, shed.url + at, { viewport: desk }, me);
    await page.getByText("What rings is not to be had: This daemon rings nobody. Start it anew.").waitFor();
  } finally {
    shed.door.put("GET", "/alerts", null);
  }
});
