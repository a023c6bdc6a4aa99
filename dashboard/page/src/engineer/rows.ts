/** The list of evenings as rows of equal height under headings of years, and which of them are in view. Pure. */
import type { PastDisposal } from "../state/wire.ts";

export type Row =
  | { readonly kind: "year"; readonly year: string; readonly count: number }
  | { readonly kind: "evening"; readonly disposal: PastDisposal };

/** Rows in order, a heading before the first evening of each year; `yearOf` goes by the shed's calendar. */
export function rowsOf(all: readonly PastDisposal[], yearOf: (t: number) => string): Row[] {
  const out: Row[] = [];
  let heading = null as { kind: "year"; year: string; count: number } | null;
  for (const d of all) {
    const year = yearOf(Date.parse(d.begun));
    if (heading?.year !== year) out.push((heading = { kind: "year", year, count: 0 }));
    heading.count++;
    out.push({ kind: "evening", disposal: d });
  }
  return out;
}

/** The rows to draw: those in view, and `spare` to either side so that a quick scroll finds them there. */
export function inView(count: number, height: number, top: number, view: number, spare: number): { readonly first: number; readonly end: number } {
  if (!(height > 0)) return { first: 0, end: Math.min(count, spare) };
  const first = Math.max(0, Math.min(count, Math.floor(top / height) - spare));
  const end = Math.max(first, Math.min(count, Math.ceil((top + view) / height) + spare));
  return { first, end };
}
