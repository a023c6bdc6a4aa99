/** What setting up knows: read from the daemon every few seconds while its sheet is looked at, and how each writing fared. */
import { computed, signal } from "@preact/signals";
import { realNow } from "../link/clock.ts";
import { NotWritten, readSetup, type Made, type Setup } from "../link/setup.ts";
import { person } from "../state/own.ts";
import { setUpWords as words } from "../words/setup.ts";
import { draft, standing, withoutSent, type Draft } from "./draft.ts";
import { fieldOf } from "./field.ts";

/** Between two readings of what is set up and heard. */
const everyMs = 2_000;
/** With no answer for so long, nothing on the sheet is shown as it is now. */
const quietMs = 6_000;

export const setup = signal<Setup | null>(null);
/** Why the last reading failed; empty where it did not. */
export const trouble = signal("");
const answered = signal<number | null>(null);
const tick = signal(0);

/** Seconds since the daemon last answered; infinite before it ever did. */
export const quietS = computed(() => (answered.value === null ? Infinity : Math.max(0, tick.value - answered.value) / 1000));
export const alive = computed(() => quietS.value * 1000 < quietMs);
/** The daemon's time now, in ms; null before it was heard. */
export const daemonNow = computed<number | null>(() => {
  const now = Date.parse(setup.value?.daemon.now ?? "");
  return Number.isFinite(now) ? now + quietS.value * 1000 : null;
});
/** The shed's zone, or UTC. */
export const zone = computed(() => setup.value?.shed.timezone || "UTC");

/** Changes under way: a reading begun before one ended would bring back what it changed. */
let writing = 0;
let changes = 0;

function take(s: Setup): void {
  setup.value = s;
  trouble.value = "";
  answered.value = tick.value = realNow();
}

async function read(): Promise<void> {
  if (writing > 0) return;
  const before = changes;
  try {
    const s = await readSetup();
    if (before === changes && writing === 0) take(s);
  } catch (err) {
    trouble.value = err instanceof Error ? err.message : words.noAnswer;
  }
}

/** Reads from now on; the function returned stops it. */
export function keepSetUp(): () => void {
  let stopped = false;
  let timer: ReturnType<typeof setTimeout> | undefined;
  const again = async (): Promise<void> => {
    if (!document.hidden) await read();
    if (!stopped) timer = setTimeout(() => void again(), everyMs);
  };
  void again();
  const ticking = setInterval(() => (tick.value = realNow()), 500);
  const look = (): void => {
    tick.value = realNow();
  };
  document.addEventListener("visibilitychange", look);
  return () => {
    stopped = true;
    clearTimeout(timer);
    clearInterval(ticking);
    document.removeEventListener("visibilitychange", look);
  };
}

/** How the writing of a part fared. */
export interface Fate {
  readonly how: "sending" | "written" | "refused";
  readonly text: string;
  /** The field that a refusal speaks of; null where it speaks of none of the part's. */
  readonly field: string | null;
  /** Counts the fates, so that the same refusal twice is two. */
  readonly n: number;
}
export const fates = signal<Readonly<Record<string, Fate>>>({});
let fated = 0;

function fare(part: string, how: Fate["how"], text: string, field: string | null): void {
  fates.value = { ...fates.value, [part]: { how, text, field, n: ++fated } };
}

/** Refuses on the page itself, before anything is sent. */
export const refuse = (part: string, field: string, text: string): void => fare(part, "refused", text, field);

/** Takes back what is said of a part, as when a person goes on typing in it. */
export function unsay(part: string): void {
  if (!fates.value[part] || fates.value[part].how === "sending") return;
  const { [part]: _, ...others } = fates.value;
  fates.value = others;
}

/** Who is at the sheet; empty where nobody said. */
export const by = computed(() => standing("by", person.value).trim());

/** A field's key as the file has it: what stands after a colon tells in which unit it is typed. */
const keyInFile = (key: string): string => key.split(":")[0] ?? key;

/**
 * Sends one change. What was typed of the part under `prefix` is given up once it is
 * written, and only as far as nothing else was typed meanwhile. `keys` are the part's
 * fields, among which the one is found that a refusal speaks of.
 */
export async function write(part: string, prefix: string, keys: readonly string[], call: (m: Made) => Promise<Setup | { readonly setup: Setup }>, said = ""): Promise<boolean> {
  const s = setup.value;
  if (!s || fates.value[part]?.how === "sending") return false;
  const sent: Draft = prefix === "" ? {} : Object.fromEntries(Object.entries(draft.value).filter(([k]) => k.startsWith(prefix)));
  fare(part, "sending", "", null);
  writing++;
  try {
    const answer = await call({ hash: s.file.hash, by: by.value });
    take("setup" in answer ? answer.setup : answer);
    draft.value = withoutSent(draft.value, sent);
    fare(part, "written", said, null);
    return true;
  } catch (err) {
    if (!(err instanceof NotWritten)) throw err;
    const changed = err.kind === "file-changed";
    const spoken = fieldOf(err.detail, keys.map(keyInFile));
    fare(part, "refused", changed ? words.fileChanged : err.message, changed ? null : (keys.find((k) => keyInFile(k) === spoken) ?? null));
    return false;
  } finally {
    writing--;
    changes++;
    // After a refusal the file may be another: the next try is made from what it says now.
    void read();
  }
}
