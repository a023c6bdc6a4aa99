/** What the view knows of a person's rings, how old that is, and what is typed but not written down. */
import { computed, signal } from "@preact/signals";
import { readAlerts, type Alerts, type Choice } from "../link/rings.ts";
import { failing } from "../state/failing.ts";
import { now } from "../state/shown.ts";
import { ringsWords as w } from "../words/rings.ts";

/** How often it is asked for while somebody looks: a delivery is then seen to have gone. */
const askMs = 3_000;
/** After so long without an answer what stands on the page is told as old. */
const staleMs = 10_000;

export const alerts = signal<Alerts | null>(null);
/** Why the last call was not answered; empty where it was. */
export const trouble = signal("");
/** When it was answered: by this device for the age, by the shed for the clock. */
const answered = signal<{ readonly at: number; readonly shed: number | null }>({ at: 0, shed: null });
const tick = signal(0);

export const stale = computed<{ readonly since: number | null; readonly s: number } | null>(() => {
  const ms = tick.value - answered.value.at;
  return alerts.value && ms > staleMs ? { since: answered.value.shed, s: Math.floor(ms / 1000) } : null;
});

/** A choice as it is typed: that of the daemon, but for what was changed here. */
export interface Typed extends Partial<Choice> {
  /** Only some engines ring: told apart from a list that is empty while the first is chosen. */
  readonly only?: boolean;
  readonly quiet?: boolean;
}
export const typed = signal<Typed>({});

export interface Said {
  readonly how: "sending" | "done" | "refused";
  readonly text: string;
}
/** What became of what was pressed, by what it was. */
export const said = signal<Readonly<Record<string, Said>>>({});
export const tell = (key: string, s: Said | null): void => {
  const { [key]: _, ...others } = said.value;
  said.value = s ? { ...others, [key]: s } : others;
};

export function take(a: Alerts): void {
  alerts.value = a;
  answered.value = { at: performance.now(), shed: now.value };
  tick.value = performance.now();
  trouble.value = "";
  failing.value = a.failing ? { who: a.person, text: a.failing } : null;
}

/** Asks for a person's from now on; the function returned stops it. */
export function keepRings(person: string): () => void {
  alerts.value = null;
  trouble.value = "";
  typed.value = {};
  said.value = {};
  if (!person) return () => undefined;
  let left = false;
  let asking = false;
  const askNow = async (): Promise<void> => {
    if (asking || document.hidden) return;
    asking = true;
    try {
      const a = await readAlerts(person);
      if (!left) take(a);
    } catch (err) {
      if (!left) trouble.value = err instanceof Error ? err.message : w.asking;
    } finally {
      asking = false;
    }
  };
  const again = setInterval(() => {
    tick.value = performance.now();
    void askNow();
  }, askMs);
  const shown = (): void => void askNow();
  document.addEventListener("visibilitychange", shown);
  void askNow();
  return () => {
    left = true;
    clearInterval(again);
    document.removeEventListener("visibilitychange", shown);
  };
}
