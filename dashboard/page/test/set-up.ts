/** What a person does on the sheet of setting up, for the tests that go through it. */
import type { Locator, Page } from "playwright-core";

/** A field by its label. */
export const field = (on: Page | Locator, label: string | RegExp): Locator => on.getByLabel(label, { exact: typeof label === "string" });

/** One stage of the sheet, by its name. */
export const stage = (page: Page, name: string): Locator => page.locator("section.stage").filter({ has: page.getByRole("heading", { level: 2, name, exact: true }) });

export const writeDown = (page: Page, name: string): Promise<void> => stage(page, name).getByRole("button", { name: "Write it down", exact: true }).first().click();

/** Holds a press until its second is over. */
export async function hold(page: Page, name: RegExp): Promise<void> {
  const press = page.getByRole("button", { name });
  await press.scrollIntoViewIfNeeded();
  await press.focus();
  await page.keyboard.down("Enter");
  await page.waitForSelector(".press-holding");
  await page.waitForFunction(() => !document.querySelector(".press-holding"));
  await page.keyboard.up("Enter");
}

/** Fills in what an engine is, and writes it down: two tanks, a blow-down pipe, laid up dry, emptied through its pipe. */
export async function nameEngine(page: Page, name = "Quillet", bar = "10", litres = "400"): Promise<void> {
  const engines = stage(page, "The engines");
  await field(engines, "Name of the engine").fill(name);
  await field(engines, "Working pressure").fill(bar);
  await field(engines, "Boiler volume").fill(litres);
  await field(engines, "two, left and right").check();
  await field(engines, "has one").check();
  await engines.getByLabel(/^dry:/).check();
  await engines.getByLabel(/^when the boiler was seen/).check();
  await writeDown(page, "The engines");
}
