/**
 * What the page knows of the shed, and the one function that changes it.
 *
 * Nothing here asks how old the knowledge is: views never read it directly, but
 * through `shown.ts`.
 */
import type { Engine, Live, Shed, State, Step } from "./wire.ts";

export interface Known {
  /** Number of the newest message applied; 0 before the first snapshot. */
  readonly n: number;
  /**
   * True when a message is known to be missing: what is held may be wrong in any
   * part, and only a new snapshot mends it.
   */
  readonly torn: boolean;
  /** The newest time heard from the daemon, ms since the epoch; null before any. */
  readonly at: number | null;
  readonly shed: Shed | null;
  readonly engines: readonly Engine[];
  readonly states: Readonly<Record<string, State>>;
}

export const nothing: Known = { n: 0, torn: false, at: null, shed: null, engines: [], states: {} };

/** True where it is what was kept on the device, and nothing was heard since the page was opened. */
export const isKept = (k: Known): boolean => k.shed !== null && k.n === 0;

/** One message, with its kind told by a word so that a switch over it can be complete. */
export type Message =
  | ({ readonly kind: "snapshot" } & Extract<Live, { snapshot: unknown }>)
  | ({ readonly kind: "change" } & Extract<Live, { change: unknown }>)
  | ({ readonly kind: "beat" } & Extract<Live, { beat: unknown }>);

/** Reads one text of the live link; throws where it is not one of its messages. */
export function read(text: string): Message {
  const m: unknown = JSON.parse(text);
  if (typeof m !== "object" || m === null || !("n" in m) || typeof m.n !== "number") {
    throw new Error("a message of the live link has no number; the daemon and this page are of different versions: load the page again");
  }
  if ("snapshot" in m) return { kind: "snapshot", ...(m as Extract<Live, { snapshot: unknown }>) };
  if ("change" in m) return { kind: "change", ...(m as Extract<Live, { change: unknown }>) };
  if ("beat" in m) return { kind: "beat", ...(m as Extract<Live, { beat: unknown }>) };
  throw new Error("a message of the live link is of no known kind; load the page again");
}

/** The state after a message. Pure; an unchanged part keeps its identity. */
export function reduce(k: Known, m: Message): Known {
  switch (m.kind) {
    case "snapshot":
      return {
        n: m.n,
        torn: false,
        at: Date.parse(m.snapshot.at),
        shed: m.snapshot.shed,
        engines: m.snapshot.engines,
        states: Object.fromEntries(m.snapshot.states.map((s) => [s.engine, s])),
      };
    case "change": {
      if (k.shed === null || k.torn) return k;
      if (m.n <= k.n) return k; // Sent again after a break; already applied.
      if (m.n !== k.n + 1) return { ...k, torn: true };
      const c = m.change;
      const old = k.states[c.engine];
      if (!old) return { ...k, torn: true };
      const state: State = {
        ...old,
        at: c.at,
        phase: c.phase ?? old.phase,
        lay_up: c.lay_up ?? old.lay_up,
        ...(c.disposal ? { disposal: c.disposal } : {}),
        ...(c.energy ? { energy: c.energy } : {}),
        channels: c.channels ? { ...old.channels, ...c.channels } : old.channels,
        steps: c.steps ? withSteps(old.steps, c.steps) : old.steps,
        front: c.front ?? old.front,
        asks: c.asks ?? old.asks,
        forecasts: c.forecasts ?? old.forecasts,
        alarms: c.alarms ?? old.alarms,
        confirmations: c.confirmations ?? old.confirmations,
        findings: c.findings ?? old.findings,
        bearing: c.bearing ?? old.bearing,
        rest: c.rest ?? old.rest,
      };
      const marks = c.marks;
      return {
        ...k,
        n: m.n,
        at: later(k.at, c.at),
        states: { ...k.states, [c.engine]: state },
        engines: marks ? k.engines.map((e) => (e.id === c.engine ? { ...e, marks } : e)) : k.engines,
      };
    }
    case "beat":
      // A beat carries the number of the newest change: another than ours means
      // that something was missed, or that the daemon began anew.
      if (k.shed === null) return k;
      if (m.n !== k.n) return { ...k, torn: true };
      return { ...k, at: later(k.at, m.beat.at) };
    default:
      return m satisfies never;
  }
}

function withSteps(old: readonly Step[], changed: readonly Step[]): Step[] {
  const by = new Map(changed.map((s) => [s.id, s]));
  const kept = old.map((s) => {
    const c = by.get(s.id);
    by.delete(s.id);
    return c ?? s;
  });
  return [...kept, ...by.values()];
}

function later(a: number | null, b: string): number | null {
  const t = Date.parse(b);
  if (!(t > -Infinity)) return a;
  return a === null || t > a ? t : a;
}
