/** What each person, or rather each device, keeps for itself. */
import { effect, signal } from "@preact/signals";

export const grounds = ["day", "night", "sun"] as const;
export type Ground = (typeof grounds)[number];
export const pressures = ["bar", "psi"] as const;
export type PressureUnit = (typeof pressures)[number];
export const temperatures = ["C", "F"] as const;
export type TemperatureUnit = (typeof temperatures)[number];

export interface Units {
  readonly pressure: PressureUnit;
  readonly temperature: TemperatureUnit;
}

const kept = (key: string): string | null => {
  try {
    return localStorage.getItem(`ashlamp.${key}`);
  } catch {
    return null; // Storage is closed to this page: the choice lasts until it is left.
  }
};

const keep = (key: string, value: string): void => {
  try {
    if (value === "") localStorage.removeItem(`ashlamp.${key}`);
    else localStorage.setItem(`ashlamp.${key}`, value);
  } catch {
    // As above: what cannot be kept is still in force on this page.
  }
};

const oneOf = <T extends string>(all: readonly T[], value: string | null, otherwise: T): T =>
  all.find((x) => x === value) ?? otherwise;

const darkHere = (): boolean => typeof matchMedia === "function" && matchMedia("(prefers-color-scheme: dark)").matches;

export const ground = signal<Ground>(oneOf(grounds, kept("ground"), darkHere() ? "night" : "day"));
export const pressureUnit = signal<PressureUnit>(oneOf(pressures, kept("pressure"), "bar"));
export const temperatureUnit = signal<TemperatureUnit>(oneOf(temperatures, kept("temperature"), "C"));
/** Who confirms on this device; empty until somebody says so. */
export const person = signal<string>(kept("person") ?? "");
/** The engine looked at; empty means the first of the shed. */
export const engineChosen = signal<string>(kept("engine") ?? "");

/** Keeps the choices from now on, and puts the ground onto the page. */
export function keepOwn(root: HTMLElement): () => void {
  const stops = [
    effect(() => {
      root.dataset["ground"] = ground.value;
      keep("ground", ground.value);
    }),
    effect(() => keep("pressure", pressureUnit.value)),
    effect(() => keep("temperature", temperatureUnit.value)),
    effect(() => keep("person", person.value)),
    effect(() => keep("engine", engineChosen.value)),
  ];
  return () => stops.forEach((s) => s());
}
