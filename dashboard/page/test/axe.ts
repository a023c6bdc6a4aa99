/** The accessibility rules of WCAG 2.2, A and AA, as axe-core checks them. */
import { createRequire } from "node:module";
import type { Page } from "playwright-core";

const script = createRequire(import.meta.url).resolve("axe-core/axe.min.js");
const tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];

interface Violation {
  readonly id: string;
  readonly help: string;
  readonly nodes: readonly { readonly target: readonly unknown[]; readonly failureSummary?: string }[];
}

/** What the page violates, one line each; empty where it violates nothing. */
export async function violations(page: Page): Promise<string[]> {
  // Evaluated and not added as an element: the page's own policy lets no foreign script in.
  await page.evaluate(await import("node:fs/promises").then((fs) => fs.readFile(script, "utf8")));
  const found = await page.evaluate(async (values) => {
    const axe = (globalThis as unknown as { axe: { run(c: Document, o: object): Promise<{ violations: Violation[] }> } }).axe;
    return (await axe.run(document, { runOnly: { type: "tag", values } })).violations;
  }, tags);
  return found.flatMap((v) => v.nodes.map((n) => `${v.id}: ${v.help}: ${n.target.join(" ")}: ${n.failureSummary ?? ""}`));
}
