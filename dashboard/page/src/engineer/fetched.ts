/** What the engineer's view has fetched, kept while the page lives: evenings and their curves. */
import { useEffect, useState } from "preact/hooks";
import { Refusal } from "../link/calls.ts";
import * as years from "../link/years.ts";
import type { OverlayDisposal, PastDisposal } from "../state/wire.ts";
import { stretches, type Align, type Curve } from "./lay.ts";

export type Fetched<T> = { readonly kind: "coming" } | { readonly kind: "here"; readonly value: T } | { readonly kind: "failed"; readonly why: string; readonly again: () => void };

const whyOf = (err: unknown): string => (err instanceof Refusal ? err.message : String(err));

/** The engine's disposals, the newest first; asked for anew whenever the view is opened, since an evening may have ended. */
export function useDisposals(engine: string): Fetched<readonly PastDisposal[]> {
  const [state, set] = useState<Fetched<readonly PastDisposal[]>>(() => {
    const old = lists.get(engine);
    return old ? { kind: "here", value: old } : { kind: "coming" };
  });
  const [turn, setTurn] = useState(0);
  useEffect(() => {
    let left = false;
    years.disposals(engine).then(
      (list) => {
        lists.set(engine, list);
        if (!left) set({ kind: "here", value: list });
      },
      (err: unknown) => {
        if (!left && !lists.has(engine)) set({ kind: "failed", why: whyOf(err), again: () => setTurn((n) => n + 1) });
      },
    );
    return () => {
      left = true;
    };
  }, [engine, turn]);
  return state;
}

const lists = new Map<string, readonly PastDisposal[]>();

/**
 * Points of one curve at most. While evenings are seen as a whole a few hundred are as fine
 * as the sheet shows, and three channels of them are little to read; closer, more are asked for.
 */
const points = { whole: 400, closer: 1_200 } as const;
/** Evenings of one call: so few that no answer takes long to read, and so many that few answers are waited for. */
const together = { whole: 56, closer: 8 } as const;
/** Calls under way at once: a browser opens no more to one place, and the live link needs its own. */
const atOnce = 6;
/** They are given out again at most this often while they come: each time all is compared and drawn anew. */
const againMs = 400;
/** Curves kept, of which the longest unused go first: 60 evenings of 3 channels, several times over. */
const mostKept = 900;

const curves = new Map<string, Curve>();
/** The same curve of more points, where it was looked at closely. */
const finer = new WeakMap<Curve, Curve>();

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

/** A curve as it came: null breaks it. Times become ms since the evening began. */
export function curveOf(o: OverlayDisposal): Curve {
  const shift = (o.at === null ? 0 : Date.parse(o.at) - Date.parse(o.begun)) || 0;
  return stretches(o.s.map((s) => s * 1000 + shift), o.mean, Infinity);
}

export interface Curves {
  /** By disposal, then by channel; a disposal without any entry has not come yet. */
  readonly of: ReadonlyMap<string, Readonly<Record<string, Curve>>>;
  readonly coming: boolean;
  readonly trouble: { readonly why: string; readonly again: () => void } | null;
}

/** The curves of some evenings, the first of them first; given out as they come. */
export function useCurves(engine: string, wanted: readonly PastDisposal[], channels: readonly string[], align: Align): Curves {
  const [turn, setTurn] = useState(0);
  const [why, setWhy] = useState("");
  const [coming, setComing] = useState(true);
  const key = `${engine} ${channels.join()} ${wanted.map((d) => `${d.id}${d.ended ?? ""}`).join()}`;
  const [of, setOf] = useState<{ key: string; of: Curves["of"] }>({ key: "", of: new Map() });
  useEffect(() => {
    let left = false;
    setWhy("");
    let heldAt = -Infinity;
    const held = (): void => {
      heldAt = performance.now();
      const now = new Map<string, Readonly<Record<string, Curve>>>();
      for (const d of wanted) {
        const all = channels.map((c) => [c, curves.get(keyOf(engine, c, d))] as const);
        if (all.some(([, c]) => c === undefined)) continue;
        now.set(d.id, Object.fromEntries(all) as Record<string, Curve>);
      }
      setOf({ key, of: now });
    };
    const batches: (readonly PastDisposal[])[] = [];
    const missing = wanted.filter((d) => d.ended === undefined || channels.some((c) => !curves.has(keyOf(engine, c, d))));
    // The bold one and its nearest come by themselves, so that something stands soon.
    for (let i = 0, n = 4; i < missing.length; i += n, n = together.whole) batches.push(missing.slice(i, i + n));
    held();
    if (missing.length === wanted.length) heldAt = -Infinity; // Nothing stands yet: what comes first is shown at once, while the others are on their way.
    setComing(batches.length > 0);
    let open = 0;
    const next = (): void => {
      const batch = batches.shift();
      if (!batch || left) {
        if (open > 0 || left) return;
        if (missing.length > 0) held();
        setComing(false);
        return;
      }
      open++;
      Promise.all(
        channels.map(async (c) => {
          const o = await years.overlay(engine, c, align, batch.map((d) => d.id), points.whole);
          for (const one of o.disposals) {
            const d = batch.find((x) => x.id === one.id);
            if (d) keep(keyOf(engine, c, d), curveOf(one));
          }
        }),
      )
        .then(
          () => {
            if (!left && performance.now() - heldAt > againMs) held();
          },
          (err: unknown) => {
            if (!left) setWhy(whyOf(err));
          },
        )
        .finally(() => {
          open--;
          next();
        });
    };
    for (let i = 0; i < Math.max(1, Math.floor(atOnce / Math.max(1, channels.length))); i++) next();
    return () => {
      left = true;
    };
  }, [key, turn]);
  return { of: of.key === key ? of.of : new Map(), coming: of.key === key ? coming : true, trouble: why === "" ? null : { why, again: () => setTurn((n) => n + 1) } };
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
        const o = await years.overlay(engine, c, align, missing.map((l) => l.disposal.id), points.closer);
        for (const one of o.disposals) {
          const coarse = missing.find((l) => l.disposal.id === one.id)?.curves[c];
          if (coarse) finer.set(coarse, curveOf(one));
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
