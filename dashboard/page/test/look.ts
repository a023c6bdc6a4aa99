/** Takes the pictures that a person looks at: `npm run look -- DIR`. */
import { mkdirSync } from "node:fs";
import { launch, open } from "./browser.ts";
import { defaults, serve, type Options } from "./evening-server.ts";

const dir = process.argv[2] ?? "test-results";
const only = process.argv[3] ?? "";
mkdirSync(dir, { recursive: true });

const desk = { width: 1280, height: 800 };
const upright = { width: 800, height: 1280 };
const phone = { width: 390, height: 844 };
const person = { person: "R. Penhalow" };

interface Look {
  readonly name: string;
  readonly server: Partial<Options>;
  readonly size: { width: number; height: number };
  readonly own?: Record<string, string>;
  readonly open?: string;
  readonly then?: "lost" | "hold" | "big" | "choices" | "list" | "shelve" | "wanted";
}

const looks: Look[] = [
  { name: "1-day", server: { from: 84 }, size: desk },
  { name: "1-night", server: { from: 84 }, size: desk, own: { ground: "night" } },
  { name: "1-sun-psi", server: { from: 84 }, size: desk, own: { ground: "sun", pressure: "psi", temperature: "F" } },
  { name: "1-start", server: { from: 12 }, size: desk },
  { name: "1-opened", server: { from: 84, fault: "tank-silent" }, size: desk, open: "Blow down" },
  { name: "1-nobody", server: { from: 58 }, size: desk, own: { person: "" } },
  { name: "1-choices", server: { from: 84 }, size: desk, then: "choices" },
  { name: "2-upright", server: { from: 84 }, size: upright },
  { name: "2-proven", server: { from: 124 }, size: upright, open: "Plugs out" },
  { name: "2-hold", server: { from: 58, crew: false }, size: upright, then: "hold" },
  { name: "3-lost", server: { from: 84 }, size: desk, then: "lost" },
  { name: "3-lost-upright-night", server: { from: 84 }, size: upright, then: "lost", own: { ground: "night" } },
  { name: "3-lost-phone", server: { from: 84 }, size: phone, then: "lost" },
  { name: "4-vacuum-night", server: { from: 220, fault: "vacuum" }, size: desk, own: { ground: "night" } },
  { name: "4-vacuum-day-phone", server: { from: 220, fault: "vacuum" }, size: phone },
  { name: "5-phone", server: { from: 84 }, size: phone },
  { name: "5-phone-night", server: { from: 124 }, size: phone, own: { ground: "night" }, open: "Plugs out" },
  { name: "6-empty", server: { from: 0, empty: true }, size: desk },
  { name: "6-empty-phone", server: { from: 0, empty: true }, size: phone },
  { name: "7-sensor-missing", server: { from: 90, fault: "pressure-missing" }, size: desk },
  { name: "7-sensor-missing-phone", server: { from: 90, fault: "pressure-missing" }, size: phone },
  { name: "7-clock", server: { from: 70, fault: "clock-ahead" }, size: desk },
  { name: "7-clock-phone", server: { from: 70, fault: "clock-ahead" }, size: phone },
  { name: "8-late", server: { from: 300 }, size: desk },
  { name: "9-text-200", server: { from: 84 }, size: desk, then: "big" },
  { name: "9-text-200-phone", server: { from: 84 }, size: phone, then: "big" },
  { name: "alarms-day", server: { from: 124, fault: "troubled" }, size: desk },
  { name: "alarms-line-night", server: { from: 220, fault: "vacuum" }, size: desk, own: { ground: "night" } },
  { name: "alarms-line-phone", server: { from: 220, fault: "vacuum" }, size: phone },
  { name: "alarms-line-upright", server: { from: 220, fault: "vacuum" }, size: upright, own: { ground: "sun" } },
  { name: "alarms-list-day", server: { from: 124, fault: "troubled" }, size: desk, then: "list" },
  { name: "alarms-list-upright-night", server: { from: 124, fault: "troubled" }, size: upright, then: "list", own: { ground: "night" } },
  { name: "alarms-list-phone", server: { from: 124, fault: "troubled" }, size: phone, then: "shelve" },
  { name: "alarms-none-list-sun", server: { from: 84 }, size: desk, then: "list", own: { ground: "sun" } },
  { name: "alarms-flood-day", server: { from: 124, fault: "flooded" }, size: desk },
  { name: "alarms-flood-list-day", server: { from: 124, fault: "flooded" }, size: desk, then: "list" },
  { name: "alarms-flood-upright-sun", server: { from: 124, fault: "flooded" }, size: upright, own: { ground: "sun" } },
  { name: "alarms-flood-phone", server: { from: 124, fault: "flooded" }, size: phone },
  { name: "alarms-lost", server: { from: 124, fault: "troubled" }, size: desk, then: "lost" },
  { name: "alarms-rest-day", server: { from: 20, fault: "resting" }, size: desk },
  { name: "alarms-rest-wanted-night", server: { from: 20, fault: "resting" }, size: upright, then: "wanted", own: { ground: "night" } },
  { name: "alarms-rest-phone", server: { from: 20, fault: "resting" }, size: phone },
  { name: "alarms-lighting", server: { from: 20, fault: "lighting" }, size: desk },
];

const browsers = [await launch(), await launch(32)] as const;
for (const l of looks.filter((l) => l.name.includes(only))) {
  const server = await serve({ ...defaults, ...l.server });
  const page = await open(browsers[l.then === "big" ? 1 : 0], server.url, { viewport: l.size }, { ...person, ...l.own });
  await page.waitForSelector(".sheet .curve, .sheet .empty", { state: "attached" });
  await page.evaluate(() => document.fonts.ready);
  await page.waitForTimeout(700);
  if (l.open) await page.getByRole("button", { name: new RegExp(`^${l.open}`) }).click();
  if (l.then === "choices") await page.locator(".choose").click();
  if (l.then === "list" || l.then === "shelve") await page.locator(".opener").click();
  if (l.then === "shelve") await page.getByRole("button", { name: "shelve: A sensor" }).click();
  if (l.then === "wanted") {
    await page.getByRole("button", { name: "Next wanted: say when" }).click();
    await page.locator('input[type="date"]').fill("2026-11-08");
  }
  if (l.then === "lost") {
    server.cut(true);
    await page.waitForTimeout(3_200);
  }
  if (l.then === "hold") {
    const box = await page.locator(".press").first().boundingBox();
    if (box) {
      await page.mouse.move(box.x + 60, box.y + 30);
      await page.mouse.down();
      await page.waitForTimeout(450);
    }
  }
  await page.waitForTimeout(250);
  const full = await page.evaluate(() => document.documentElement.scrollHeight);
  await page.screenshot({ path: `${dir}/${l.name}.png`, fullPage: true });
  console.log(l.name, full > l.size.height ? `scrolls to ${full}` : "fits");
  await page.context().close();
  await server.close();
}
for (const b of browsers) await b.close();
