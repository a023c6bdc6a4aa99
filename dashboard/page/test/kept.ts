import type { Page } from "playwright-core";
import { expect } from "vitest";

/** Until the page is kept, and what it heard. */
export async function isKept(page: Page): Promise<void> {
  await page.evaluate(() => navigator.serviceWorker.ready);
  const count = () =>
    page.evaluate(async () => {
      // Opened before the page made it, it would be another one.
      if (!(await indexedDB.databases()).some((d) => d.name === "ashlamp")) return 0;
      return new Promise<number>((done) => {
        const asked = indexedDB.open("ashlamp");
        asked.onsuccess = () => {
          const all = asked.result.transaction("last").objectStore("last").count();
          all.onsuccess = () => (asked.result.close(), done(all.result));
        };
      });
    });
  await expect.poll(count, { timeout: 30_000, interval: 250 }).toBeGreaterThan(0);
}
