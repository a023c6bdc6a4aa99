/** Keeps the page's state: the live link into what is known, the past fetched and made longer. */
import { effect, untracked } from "@preact/signals";
import { judged, known, link, pastTrouble, tick, traces } from "../state/held.ts";
import { emptyTrace, extend, fromLanes, fromSeries, judge, unjudged, type Trace } from "../state/past.ts";
import { isKept, type Known, type Message } from "../state/known.ts";
import { channelsDrawn, channelsDrawnKey, engine, engineId, live, view } from "../state/shown.ts";
import type { Change, State } from "../state/wire.ts";
import { liveAddress, lanes, Refusal, series } from "./calls.ts";
import { realNow } from "./clock.ts";
import { listen, quietMs } from "./socket.ts";

/** How often the page asks itself how old its knowledge is. */
const lookMs = 200;
/** Changes of confirmations within this time are fetched together. */
const togetherMs = 400;
/** A fetch of the past that failed is tried again after this long. */
const fetchAgainMs = 5_000;

/** Starts; the function returned stops it. */
export function keep(): () => void {
  let of = "";
  let lanesTimer: ReturnType<typeof setTimeout> | undefined;
  let againTimer: ReturnType<typeof setTimeout> | undefined;
  let quietTimer: ReturnType<typeof setTimeout> | undefined;

  const note = (state: Pick<State | Change, "at"> & Partial<Change>): void => {
    const from = Date.parse(state.at) - view.value.minutes * 60_000;
    const drawn = channelsDrawn.value;
    // As wide as a bucket of the past that is fetched.
    const every = (view.value.minutes * 60_000) / Math.max(1, view.value.points);
    let t = traces.value;
    for (const [c, r] of Object.entries(state.channels ?? {})) {
      if (!drawn.includes(c)) continue;
      const old = t[c] ?? emptyTrace;
      const now = extend(old, r, from, every);
      if (now !== old) t = { ...t, [c]: now };
    }
    traces.value = t;
    if (state.steps) judged.value = judge(judged.value, state.steps, state.at);
  };

  const knows = (k: Known, by: readonly Message[]): void => {
    if (isKept(known.value)) {
      // The curves and lanes that were kept end long before now; nothing joins them to it.
      traces.value = {};
      judged.value = unjudged;
    }
    known.value = k;
    const id = engine.value?.id ?? "";
    for (const m of by) {
      switch (m.kind) {
        case "snapshot": {
          const s = k.states[id];
          if (s) note(s);
          break;
        }
        case "change":
          if (m.change.engine !== id) break;
          note(m.change);
          if (m.change.confirmations || m.change.disposal) {
            clearTimeout(lanesTimer);
            lanesTimer = setTimeout(() => void fetchLanes(), togetherMs);
          }
          break;
        case "beat":
          break;
        default:
          m satisfies never;
      }
    }
  };

  /**
   * Looks at the very moment at which the last that was heard is too long ago, not some
   * time after. One timer, however much is heard meanwhile.
   */
  const quiet = (): void => {
    const left = quietMs + 1 - (realNow() - (link.value.lastHeard ?? 0));
    quietTimer = left > 0 && link.value.heard !== null ? setTimeout(quiet, left) : undefined;
    if (quietTimer === undefined) look();
  };

  const line = listen(liveAddress, realNow, {
    knows,
    heard() {
      const t = realNow();
      link.value = { open: true, heard: t, lastHeard: t };
      tick.value = t;
      quietTimer ??= setTimeout(quiet, quietMs + 1);
    },
    open(open) {
      link.value = { ...link.value, open, heard: null };
      tick.value = realNow();
    },
  });

  const bounds = (): { id: string; from: number; to: number } | null => {
    const id = engine.value?.id;
    const at = known.value.at;
    if (!id || at === null) return null;
    return { id, from: at - view.value.minutes * 60_000, to: at };
  };

  const trouble = (err: unknown): void => {
    pastTrouble.value = err instanceof Refusal ? err.message : String(err);
    clearTimeout(againTimer);
    againTimer = setTimeout(() => {
      if (live.value) void fetchPast();
    }, fetchAgainMs);
  };

  const fetchLanes = async (): Promise<void> => {
    const b = bounds();
    if (!b) return;
    try {
      const l = fromLanes(await lanes(b.id, b.from, b.to));
      if (engine.value?.id !== b.id) return;
      // What came meanwhile over the link is newer than what was fetched.
      const s = known.value.states[b.id];
      judged.value = s ? judge(l, s.steps, s.at) : l;
      pastTrouble.value = "";
    } catch (err) {
      trouble(err);
    }
  };

  const fetchPast = async (): Promise<void> => {
    const b = bounds();
    if (!b) return;
    const fresh = (c: string): number => known.value.states[b.id]?.channels[c]?.fresh_s ?? 0;
    const points = view.value.points;
    await Promise.all([
      fetchLanes(),
      ...channelsDrawn.value.map(async (c) => {
        try {
          const fetched = fromSeries(await series(b.id, c, b.from, b.to, points), fresh(c));
          if (engine.value?.id !== b.id) return;
          traces.value = { ...traces.value, [c]: joined(fetched, traces.value[c]) };
        } catch (err) {
          trouble(err);
        }
      }),
    ]);
  };

  const stops = [
    effect(() => {
      const id = engineId.value;
      const up = live.value;
      void view.value;
      void channelsDrawnKey.value;
      untracked(() => {
        if (id !== of) {
          of = id;
          traces.value = {};
          judged.value = unjudged;
        }
        if (up && id) void fetchPast();
      });
    }),
  ];

  const look = (): void => {
    tick.value = realNow();
    line.look();
  };
  const looking = setInterval(look, lookMs);
  // A page that comes back into view has old pixels on it: it looks at once.
  for (const e of ["visibilitychange", "resume"]) document.addEventListener(e, look);
  for (const e of ["pageshow", "focus", "online", "offline"]) window.addEventListener(e, look);
  look();

  return () => {
    clearInterval(looking);
    clearTimeout(lanesTimer);
    clearTimeout(againTimer);
    clearTimeout(quietTimer);
    for (const e of ["visibilitychange", "resume"]) document.removeEventListener(e, look);
    for (const e of ["pageshow", "focus", "online", "offline"]) window.removeEventListener(e, look);
    stops.forEach((s) => s());
    line.close();
  };
}

function joined(fetched: Trace, heard: Trace | undefined): Trace {
  const end = fetched.points.at(-1)?.t ?? -Infinity;
  const newer = heard?.points.filter((p) => p.t > end) ?? [];
  if (newer.length === 0) return fetched;
  return { points: [...fetched.points, ...newer], gap: Math.max(fetched.gap, fetched.points.length === 0 ? (heard?.gap ?? 0) : 0) };
}
