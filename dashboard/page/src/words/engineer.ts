/** The texts of the engineer's view: its frame, the evenings over each other, and any span. */
import type { Part } from "../engineer/part.ts";

export const engineerWords = {
  title: (engine: string): string => `${engine} through the years`,
  noneTitle: "Through the years",
  engines: "Engines",
  parts: "Parts of this view",
  part: { evenings: "evenings", curves: "any span", trends: "trends", sensors: "sensors", book: "the engine\u2019s book" } satisfies Record<Part, string>,
  noEngine: (id: string): string => `No engine of this shed has the id \u201c${id}\u201d.`,
  waiting: "Waiting for the shed to name its engines; trying again every 2 s.",
  coming: "Fetching this part.",
  failed: "This part could not be fetched. It comes once the shed is heard again.",
};
