/**
 * The pasts of all engines of the shed, which the strips draw: fetched while the view
 * is open and the link lives, and made longer by what is heard.
 */
import { effect, signal, untracked } from "@preact/signals";
import { lanes, Refusal, series } from "../link/calls.ts";
import { known } from "../state/held.ts";
import { emptyTrace, extend, fromLanes, fromSeries, judge, unjudged, type Judged, type Trace } from "../state/past.ts";
import { live } from "../state/shown.ts";

export interface Past {
  readonly channel: string;
  readonly trace: Trace;
  readonly judged: Judged;
}

export const pasts = signal<Readonly<Record<string, Past>>>({});
/** Why a past could not be fetched, in words; empty where it was. */
export const pastTrouble = signal("");

/** Points of one strip's curve; a strip on a desk is some 500 px wide. */
const points = 300;
/** After this long a past is fetched anew: what came late, or was mended, is then on it. */
const anewMs = 120_000;
/** A fetch that failed is tried again after this long. */
const againMs = 5_000;

/** Keeps the pasts of these engines, each of its channel, over so many minutes; the function returned stops it. */
export function keepPasts(wanted: readonly { readonly id: string; readonly channel: string }[], minutes: number): () => void {
  let stopped = false;
  let timer: ReturnType<typeof setTimeout> | undefined;

  const fetchAll = async (): Promise<void> => {
    clearTimeout(timer);
    let failed = "";
    // One engine after the other, so that a shed of many does not ask for everything at once.
    for (const { id, channel } of wanted) {
      const at = known.value.at;
      if (stopped || !live.value || at === null) return;
      const from = at - minutes * 60_000;
      try {
        const [s, l] = await Promise.all([channel ? series(id, channel, from, at, points) : null, lanes(id, from, at)]);
        if (stopped) return;
        const state = known.value.states[id];
        const trace = s ? fromSeries(s, state?.channels[channel]?.fresh_s ?? 0) : emptyTrace;
        const judged = fromLanes(l);
        put(id, { channel, trace, judged: state ? judge(judged, state.steps, state.at) : judged });
      } catch (err) {
        failed = err instanceof Refusal ? err.message : String(err);
      }
    }
    if (stopped) return;
    pastTrouble.value = failed;
    timer = setTimeout(() => void fetchAll(), failed ? againMs : anewMs);
  };

  const stops = [
    effect(() => {
      if (live.value) untracked(() => void fetchAll());
      else clearTimeout(timer);
    }),
    effect(() => {
      const states = known.value.states;
      if (!live.value) return;
      untracked(() => {
        for (const { id, channel } of wanted) {
          const state = states[id];
          const old = pasts.value[id];
          if (!state || !old || old.channel !== channel) continue;
          const r = state.channels[channel];
          const trace = r ? extend(old.trace, r, Date.parse(state.at) - minutes * 60_000) : old.trace;
          const judged = judge(old.judged, state.steps, state.at);
          if (trace !== old.trace || judged !== old.judged) put(id, { channel, trace, judged });
        }
      });
    }),
  ];
  return () => {
    stopped = true;
    clearTimeout(timer);
    stops.forEach((s) => s());
  };
}

const put = (id: string, p: Past): void => {
  pasts.value = { ...pasts.value, [id]: p };
};

/** The past of an engine as far as it is of this channel. */
export function pastOf(id: string, channel: string): Past {
  const p = pasts.value[id];
  return p && p.channel === channel ? p : { channel, trace: emptyTrace, judged: p?.judged ?? unjudged };
}
