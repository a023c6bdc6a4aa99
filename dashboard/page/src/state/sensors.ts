/**
 * The sensors of one engine, each with what it reads and what is the matter with it.
 * As `shown.ts`, it never gives out as current what is not.
 */
import { known } from "./held.ts";
import { figureOf, heardAgo, live, now, type Figure } from "./shown.ts";
import type { Engine, Finding, Reading, State } from "./wire.ts";

export interface Sensor {
  readonly channel: string;
  readonly figure: Figure;
  /** Age of the newest sample in s, Infinity where there is none. */
  readonly age: number;
  readonly reading: Reading | undefined;
  /** Empty on a dead link: what was found then is told as past, see [Health]. */
  readonly findings: readonly Finding[];
}

export interface Health {
  readonly sensors: readonly Sensor[];
  /** What is the matter with whole nodes. */
  readonly nodes: readonly Finding[];
  /** What was found when the shed was last heard; of a dead link alone. */
  readonly then: readonly Finding[];
  /** False while nothing of this is current. */
  readonly alive: boolean;
}

/** In which order a person reads the channels; others come after, by name. */
const order = [
  "boiler.pressure", "boiler.level", "boiler.shell.", "boiler.humidity", "boiler.", "blowdown.", "firebox", "smokebox", "tank.", "", "ambient.",
] as const;

const place = (channel: string): number => {
  const i = order.findIndex((p) => p !== "" && (channel === p || (p.endsWith(".") && channel.startsWith(p))));
  return i >= 0 ? i : order.indexOf("");
};

/** Judges every channel that the engine is said to have, and every other that was heard. */
export function healthOf(measured: readonly string[], s: State | undefined, at: number | null, alive: boolean, quiet: number): Health {
  const channels = [...new Set([...measured, ...Object.keys(s?.channels ?? {})])];
  channels.sort((a, b) => place(a) - place(b) || a.localeCompare(b));
  const found = s?.findings ?? [];
  return {
    sensors: channels.map((channel) => {
      const reading = s?.channels[channel];
      const of = Date.parse(reading?.at ?? "");
      return {
        channel,
        reading,
        figure: figureOf(reading, at, alive, quiet),
        age: at !== null && Number.isFinite(of) ? Math.max(0, (at - of) / 1000, alive ? 0 : quiet) : Infinity,
        findings: alive ? found.filter((f) => f.channel === channel) : [],
      };
    }),
    nodes: alive ? found.filter((f) => !f.channel) : [],
    then: alive ? [] : found,
    alive,
  };
}

/** The health of an engine's sensors, as far as it is known now. */
export const health = (e: Engine): Health => healthOf(e.measured, known.value.states[e.id], now.value, live.value, heardAgo.value ?? Infinity);

/** What a step of this engine is called; its id where the engine has none such. */
export const stepTitleOf = (engine: string, id: string): string => known.value.states[engine]?.steps.find((s) => s.id === id)?.title || id;

/** What a watch of this engine is called; its id where its state does not tell. */
export const watchTitleOf = (engine: string, id: string): string => known.value.states[engine]?.alarms.find((a) => a.watch === id)?.title || id;
