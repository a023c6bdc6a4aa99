/** Asks for curves, which a thread of their own reads. */
import { addressOfCall, patienceMs, Refusal, refusal, silence } from "../link/calls.ts";
import { engineerWords as words } from "../words/engineer.ts";
import { unpack, type Unpacked } from "./pack.ts";
import type { Ask, Told } from "./reader.ts";

interface Waiting {
  readonly done: (all: readonly Unpacked[]) => void;
  readonly failed: (why: Refusal) => void;
}

let thread: Worker | null = null;
const waiting = new Map<number, Waiting>();
let last = 0;

function take(t: Told): void {
  const w = waiting.get(t.n);
  waiting.delete(t.n);
  if (t.kind === "curves") w?.done(unpack(t.packed));
  else w?.failed(t.kind === "silent" ? silence() : refusal(t.status, t.text));
}

/** Starts the thread, where it does not run: it takes its time, and does not wait for the first ask. */
export function reader(): Worker {
  if (thread) return thread;
  const t = new Worker(new URL("./reader.ts", import.meta.url), { type: "module" });
  t.addEventListener("message", (e: MessageEvent<Told>) => take(e.data));
  t.addEventListener("error", () => {
    // It could not be fetched: the next ask tries again.
    thread = null;
    for (const w of waiting.values()) w.failed(new Refusal(words.failed));
    waiting.clear();
  });
  return (thread = t);
}

/** The curves that a call answers with, each with its `most` points that a sheet draws. It throws a [Refusal]. */
export function readCurves(path: string, most: number): Promise<readonly Unpacked[]> {
  return new Promise((done, failed) => {
    const ask: Ask = { n: ++last, url: addressOfCall(path), most, patienceMs };
    waiting.set(ask.n, { done, failed });
    reader().postMessage(ask);
  });
}
