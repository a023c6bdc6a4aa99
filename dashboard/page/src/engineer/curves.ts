/** The curves of evenings, kept while the page lives. */
import { batch, signal, type ReadonlySignal } from "@preact/signals";
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
/** Evenings of one call for finer curves: the bold one's come with the first. */
const together = 8;
/** Where nothing has come after this long, the bold evening and its nearest are asked for by themselves. */
const patientMs = 300;
const fewFirst = 4;
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
  /** By disposal, then by channel; what has no entry has not come yet. */
  readonly of: ReadonlyMap<string, Readonly<Record<string, Curve>>>;
  /** Disposals of which every channel has come. */
  readonly whole: number;
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
  const calls = channels
    .map((c) => ({ c, missing: wanted.filter((d) => d.ended === undefined || !curves.has(keyOf(engine, c, d))) }))
    .filter(({ missing }) => missing.length > 0);
  const [turn, coming, why] = [signal(0), signal(calls.length > 0), signal("")];
  let left = false;
  let open = calls.length;
  const ask = async (channel: string, of: readonly PastDisposal[]): Promise<void> => {
    for (const r of await readCurves(overlay(engine, channel, align, of.map((d) => d.id), points.whole), drawnPoints)) {
      const d = of.find((x) => x.id === r.id);
      if (!d) continue;
      coarser.set(r.curve, r.few);
      keep(keyOf(engine, channel, d), r.curve);
    }
  };
  const came = (last: boolean): void => {
    if (left) return;
    batch(() => {
      if (last) coming.value = false;
      turn.value++;
    });
  };
  for (const { c, missing } of calls)
    ask(c, missing)
      .catch((err: unknown) => void (why.value = whyOf(err)))
      .then(() => came(--open === 0));
  // A board that takes its time over all of them has a few sooner. Where those fail, all of them tell why.
  const early = setTimeout(() => {
    for (const { c, missing } of calls) if (open > 0 && missing.length > fewFirst) ask(c, missing.slice(0, fewFirst)).then(() => came(open === 0), () => undefined);
  }, patientMs);
  return {
    turn, coming, why,
    stop: () => {
      left = true;
      clearTimeout(early);
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
      const here = channels.map((c) => [c, curves.get(keyOf(engine, c, d))] as const).filter((x): x is readonly [string, Curve] => x[1] !== undefined);
      if (here.length > 0) now.set(d.id, Object.fromEntries(here));
    }
    return now;
  }, [on, turn]);
  const whole = [...of.values()].filter((o) => channels.every((c) => o[c])).length;
  const why = on.why.value;
  return { of, whole, coming: on.coming.value, trouble: why === "" ? null : { why, again: () => setAgain((n) => n + 1) } };
}

/**
 * Fetches for each of the curves a finer one, the first of them first, and calls `came`
 * as they come; [finest] then has it. The function returned leaves off. One that cannot be
 * had is left as it is: what is drawn is right, only less fine.
 */
export function fetchFiner(engine: string, of: readonly { readonly disposal: PastDisposal; readonly curves: Readonly<Record<string, Curve>> }[], align: Align, came: () => void): () => void {
  let left = false;
  const fetchAll = async (): Promise<void> => {
    for (let i = 0; i < of.length && !left; i += together) {
      const batch = of.slice(i, i + together);
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
