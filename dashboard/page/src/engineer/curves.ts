/** The curves of evenings, kept while the page lives. */
import { signal, type ReadonlySignal } from "@preact/signals";
import { useEffect, useMemo, useState } from "preact/hooks";
import { overlay } from "../link/years.ts";
import type { PastDisposal } from "../state/wire.ts";
import { whyOf } from "./fetched.ts";
import type { Align, Curve } from "./lay.ts";
import { readCurves } from "./read.ts";

/**
 * Points of one curve at most. While evenings are seen as a whole a few hundred are as fine
 * as the sheet shows, and three channels of them are little to read; closer, more are asked for.
 */
const points = { whole: 400, closer: 1_200 } as const;
/** Points of a curve that are drawn while all of it is seen: two a pixel would be no finer. */
const drawnPoints = 260;
/** Evenings of one call: so few that no answer takes long to read, and so many that few answers are waited for. */
const together = { whole: 56, closer: 8 } as const;
/** Calls under way at once: a browser opens no more to one place, and the live link needs its own. */
const atOnce = 6;
/** What came first is shown after this long, if all has not come by then; more of it this much later. */
const soonMs = 80;
const againMs = 400;
/** Curves kept, of which the longest unused go first: 60 evenings of 3 channels, several times over. */
const mostKept = 900;

const curves = new Map<string, Curve>();
/** The same curve of as many points as are drawn, and of more points, where it was looked at closely. */
const coarser = new WeakMap<Curve, Curve>();
const finer = new WeakMap<Curve, Curve>();

/** A curve as it is drawn while all of it is seen. */
export const coarsest = (c: Curve): Curve => coarser.get(c) ?? c;
/** A curve as finely as it is known. */
export const finest = (c: Curve): Curve => finer.get(c) ?? c;

/** An evening that has not ended grows: it is another one each time it is opened. */
const keyOf = (engine: string, channel: string, d: PastDisposal): string => `${engine} ${channel} ${d.id} ${d.ended ?? ""}`;

function keep(key: string, c: Curve): void {
  curves.delete(key);
  curves.set(key, c);
  for (const k of curves.keys()) {
    if (curves.size <= mostKept) break;
    curves.delete(k);
  }
}

export interface Curves {
  /** By disposal, then by channel; a disposal without any entry has not come yet. */
  readonly of: ReadonlyMap<string, Readonly<Record<string, Curve>>>;
  readonly coming: boolean;
  readonly trouble: { readonly why: string; readonly again: () => void } | null;
}

/** Curves on their way. */
interface Coming {
  /** Another number whenever there is more to be shown. */
  readonly turn: ReadonlySignal<number>;
  readonly coming: ReadonlySignal<boolean>;
  /** Why some cannot be had; empty where nothing is wrong. */
  readonly why: ReadonlySignal<string>;
  readonly stop: () => void;
}

function fetchMissing(engine: string, wanted: readonly PastDisposal[], channels: readonly string[], align: Align): Coming {
  const missing = wanted.filter((d) => d.ended === undefined || channels.some((c) => !curves.has(keyOf(engine, c, d))));
  const batches: (readonly PastDisposal[])[] = [];
  // The bold one and its nearest come by themselves, so that something stands soon.
  for (let i = 0, n = 4; i < missing.length; i += n, n = together.whole) batches.push(missing.slice(i, i + n));
  const [turn, coming, why] = [signal(0), signal(batches.length > 0), signal("")];
  let left = false;
  let open = 0;
  let timer: ReturnType<typeof setTimeout> | undefined;
  const show = (): void => {
    clearTimeout(timer);
    timer = undefined;
    turn.value++;
  };
  const one = async (channel: string, batch: readonly PastDisposal[]): Promise<void> => {
    for (const r of await readCurves(overlay(engine, channel, align, batch.map((d) => d.id), points.whole), drawnPoints)) {
      const d = batch.find((x) => x.id === r.id);
      if (!d) continue;
      coarser.set(r.curve, r.few);
      keep(keyOf(engine, channel, d), r.curve);
    }
  };
  const next = (): void => {
    const batch = batches.shift();
    if (left) return;
    if (!batch) {
      if (open > 0 || !coming.value) return;
      coming.value = false;
      show();
      return;
    }
    open++;
    Promise.all(channels.map((c) => one(c, batch)))
      .then(
        () => {
          if (!left) timer ??= setTimeout(show, turn.value === 0 ? soonMs : againMs);
        },
        (err: unknown) => void (why.value = whyOf(err)),
      )
      .finally(() => {
        open--;
        next();
      });
  };
  for (let i = 0; i < Math.max(1, Math.floor(atOnce / Math.max(1, channels.length))); i++) next();
  return {
    turn, coming, why,
    stop: () => {
      left = true;
      clearTimeout(timer);
    },
  };
}

/** The curves of some evenings, the first of them first; given out as they come. */
export function useCurves(engine: string, wanted: readonly PastDisposal[], channels: readonly string[], align: Align): Curves {
  const [again, setAgain] = useState(0);
  const key = `${engine} ${channels.join()} ${wanted.map((d) => `${d.id}${d.ended ?? ""}`).join()}`;
  // Asked for while the page is made, not once it stands: it is laid out while they come.
  const on = useMemo(() => fetchMissing(engine, wanted, channels, align), [key, again]);
  useEffect(() => on.stop, [on]);
  const turn = on.turn.value;
  const of = useMemo(() => {
    const now = new Map<string, Readonly<Record<string, Curve>>>();
    for (const d of wanted) {
      const all = channels.map((c) => [c, curves.get(keyOf(engine, c, d))] as const);
      if (all.every(([, c]) => c !== undefined)) now.set(d.id, Object.fromEntries(all) as Record<string, Curve>);
    }
    return now;
  }, [on, turn]);
  const why = on.why.value;
  return { of, coming: on.coming.value, trouble: why === "" ? null : { why, again: () => setAgain((n) => n + 1) } };
}

/**
 * Fetches for each of the curves a finer one, the first of them first, and calls `came`
 * as they come; [finest] then has it. The function returned leaves off. One that cannot be
 * had is left as it is: what is drawn is right, only less fine.
 */
export function fetchFiner(engine: string, of: readonly { readonly disposal: PastDisposal; readonly curves: Readonly<Record<string, Curve>> }[], align: Align, came: () => void): () => void {
  let left = false;
  const fetchAll = async (): Promise<void> => {
    for (let i = 0; i < of.length && !left; i += together.closer) {
      const batch = of.slice(i, i + together.closer);
      for (const c of new Set(batch.flatMap((l) => Object.keys(l.curves)))) {
        const missing = batch.filter((l) => l.curves[c] && !finer.has(l.curves[c]));
        if (missing.length === 0 || left) continue;
        for (const one of await readCurves(overlay(engine, c, align, missing.map((l) => l.disposal.id), points.closer), points.closer)) {
          const known = missing.find((l) => l.disposal.id === one.id)?.curves[c];
          if (known) finer.set(known, one.curve);
        }
        came();
      }
    }
  };
  fetchAll().catch((err: unknown) => console.warn("finer curves could not be fetched:", err));
  return () => {
    left = true;
  };
}
