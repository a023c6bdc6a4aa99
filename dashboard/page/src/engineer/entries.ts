/** Entries of an engine's book as sentences. Pure; what is not understood is told as it was written. */
import type { Entry } from "../state/wire.ts";
import { words } from "../words/en.ts";
import { verdictWord, yearsWords } from "../words/years.ts";

/** What the entries' ids are called, and how a time is told. */
export interface Names {
  step(id: string): string;
  watch(id: string): string;
  /** An RFC 3339 time in the shed's own words. */
  time(iso: string): string;
}

export const filters = ["all", "people", "verdicts", "alarms", "phases"] as const;
export type Filter = (typeof filters)[number];

export interface Line {
  /** What happened, in one sentence. */
  readonly what: string;
  /** Why, or with what; empty where there is no more to say. */
  readonly more: string;
  /** Who did it; empty where no person did. */
  readonly by: string;
  /** Of a verdict, so that its fill can stand beside it. */
  readonly verdict?: "proven" | "not-yet" | "cannot-tell";
  readonly filter: Exclude<Filter, "all">;
}

const w = yearsWords.book;

const said = (id: string): string => words.stamp[id] ?? id.replaceAll("-", " ");
/** Half a sentence as a whole one; a key such as "zero_hold_s" at its beginning stays as it is. */
const asSentence = (s: string): string => {
  const head = /^[a-z]\w*_/.test(s) ? (s[0] ?? "") : (s[0]?.toUpperCase() ?? "");
  return s === "" ? "" : `${head}${s.slice(1)}`.replace(/[^.!?]$/, "$&.");
};

/** One entry as a line of the book. */
export function lineOf(e: Entry, names: Names): Line {
  const by = e.by ?? "";
  const told = (what: string, filter: Line["filter"], more = "", who = by): Line => ({ what, more: asSentence(times(more.trim(), names)), by: who, filter });
  const raw = told(asSentence(times(e.text.trim(), names)), by ? "people" : "phases");
  switch (e.kind) {
    case "verdict": {
      const m = /^([a-z0-9-]+): (proven|not-yet|cannot-tell)\.\s*(.*)$/s.exec(e.text);
      if (!m) return { ...raw, filter: "verdicts" };
      const verdict = m[2] as NonNullable<Line["verdict"]>;
      return { ...told(w.verdict(names.step(m[1] ?? ""), verdictWord(verdict)), "verdicts", m[3] ?? ""), verdict };
    }
    case "lapsed": {
      const m = /^([a-z0-9-]+), said by (.*), no longer stands: (.*?)\.?$/s.exec(e.text);
      if (!m) return raw;
      // Nobody did this: the word went by itself. Whose it was is told in the sentence.
      return told(w.lapsed(said(m[1] ?? ""), asSentence(m[3] ?? "")), "people", w.saidBy(m[2] ?? ""), "");
    }
    case "alarm": {
      const m = /^Alarm ([a-z0-9-]+) is ([a-z-]+) \(([a-z]+)\): (.*)$/s.exec(e.text);
      if (!m) return { ...raw, filter: "alarms" };
      return told(w.alarm(names.watch(m[1] ?? ""), w.alarmState[m[2] ?? ""] ?? m[2] ?? ""), "alarms", m[4] ?? "");
    }
    case "passage": {
      const phase = /^Phase: ([a-z-]+)\.$/.exec(e.text)?.[1];
      if (phase) return told(w.phase(w.phases[phase] ?? phase), "phases");
      const m = /^Disposal (begun|ended) \((.*)\)\.$/.exec(e.text);
      return m ? told(m[1] === "begun" ? w.begun : w.ended, "phases", w.why[m[2] ?? ""] ?? m[2] ?? "") : raw;
    }
    default: {
      const m = /^([a-z-]+)(?:: (.*?))?\.$/s.exec(e.text);
      const subject = m?.[1] === e.kind ? (m[2] ?? "") : null;
      if (subject !== null && e.kind === "confirmed") return told(w.said(said(subject)), "people");
      if (subject !== null && e.kind === "withdrawn") return told(w.takenBack(said(subject)), "people");
      const event = w.events[e.kind];
      if (!event) return raw;
      // What follows the kind, whatever it is parted by: ": subject", ", until" and " (why)".
      const rest = e.text.startsWith(e.kind) ? e.text.slice(e.kind.length).replace(/^[:,]?\s*/, "").replace(/\.$/, "") : e.text;
      const alarm = e.kind.startsWith("alarm-");
      const named = alarm ? rest.replace(/^[a-z0-9-]+/, (id) => names.watch(id)) : rest;
      return told(event(times(named, names)), alarm ? "alarms" : e.kind.startsWith("disposal") || e.kind === "fire-lit" ? "phases" : "people");
    }
  }
}

const times = (text: string, names: Names): string => text.replace(/\b\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|[+-]\d\d:\d\d)/g, (iso) => names.time(iso));

/** Two pages of a book as one, whatever was written meanwhile: each entry once, the newest first. */
export function joined(a: readonly Entry[], b: readonly Entry[]): Entry[] {
  const by = new Map([...a, ...b].map((e) => [e.seq, e]));
  return [...by.values()].sort((x, y) => y.seq - x.seq);
}
