/**
 * The thread that reads answers with curves: fifty evenings are a megabyte of text, and
 * whoever reads it holds up the page's own thread, which has the sheet to lay out meanwhile.
 */
import type { Overlay } from "../state/wire.ts";
import { pack, type Packed } from "./pack.ts";

export interface Ask {
  readonly n: number;
  readonly url: string;
  /** Points of a curve that are few. */
  readonly most: number;
  /** An ask that has no answer after this long is given up. */
  readonly patienceMs: number;
}

export type Told =
  | { readonly n: number; readonly kind: "curves"; readonly packed: Packed }
  /** Answered with another status, or with what cannot be read. */
  | { readonly n: number; readonly kind: "refused"; readonly status: number; readonly text: string }
  | { readonly n: number; readonly kind: "silent" };

async function read(a: Ask): Promise<Told> {
  let answer: Response;
  let text: string;
  try {
    answer = await fetch(a.url, { signal: AbortSignal.timeout(a.patienceMs) });
    text = await answer.text();
  } catch {
    return { n: a.n, kind: "silent" };
  }
  if (answer.ok)
    try {
      return { n: a.n, kind: "curves", packed: pack((JSON.parse(text) as Overlay).disposals, a.most) };
    } catch {
      // What is no answer of the daemon's is told by its status.
    }
  return { n: a.n, kind: "refused", status: answer.status, text };
}

/** A browser makes code quick only once it has run for a while: that is before anybody waits for it. */
function warm(): void {
  const s = Array.from({ length: 400 }, (_, i) => 90 * i);
  const one = { id: "", begun: "1970-01-01T00:00:00Z", at: null, why: "", s, mean: s.map((v) => 6e5 * Math.exp(-v / 9_000)) };
  for (let i = 0; i < 60; i++) pack([one], 260);
}
warm();

addEventListener("message", (e: MessageEvent<Ask>) => {
  void read(e.data).then((told) => postMessage(told, { transfer: told.kind === "curves" ? [told.packed.points.buffer] : [] }));
});
