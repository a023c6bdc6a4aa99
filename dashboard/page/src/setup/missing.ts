/** What is still missing, in plain sentences, from what is written, heard and typed. */
import type { Setup, SetupChannel } from "../link/setup.ts";
import { setUpWords as words } from "../words/setup.ts";
import type { Draft } from "./draft.ts";

export type StageId = "shed" | "engine" | "heard" | "gauge" | "limits" | "rehearse";
export const stages: readonly StageId[] = ["shed", "engine", "heard", "gauge", "limits", "rehearse"];

/** "run": without it nothing runs; "typed": it is not written yet; "tell": it cannot be told without it; "see": a person has to see to it. */
export type Weight = "run" | "typed" | "tell" | "see";

export interface Missing {
  readonly stage: StageId;
  readonly weight: Weight;
  readonly text: string;
}

/** A channel that the rules judge by pressure is worth a test gauge before it is believed. */
const wantsGauge = (c: SetupChannel): boolean => c.id === "boiler.pressure";

const stageOfFault = (text: string): StageId =>
  /\bchannel\b|\bwired\b|\bmapped\b/.test(text) ? "heard" : /\blimits?\b/.test(text) ? "limits" : /\bshed\b|timezone|altitude_m|people/.test(text) ? "shed" : "engine";

/** The stage whose form the draft's key belongs to; null for what is no form's. */
export function stageOfDraft(key: string): StageId | null {
  const first = key.split(".")[0] ?? "";
  switch (first) {
    case "shed":
      return "shed";
    case "engine":
    case "new":
      return "engine";
    case "doors":
    case "assign":
    case "channel":
      return "heard";
    case "points":
      return "gauge";
    case "limits":
      return "limits";
    default:
      return null;
  }
}

/** All that is missing, in the order of the sheet; within a stage what stops the most comes first. */
export function missing(s: Setup, typed: Draft): readonly Missing[] {
  const out: Missing[] = [];
  const add = (stage: StageId, weight: Weight, text: string): void => void out.push({ stage, weight, text });

  for (const f of s.file.missing) add(stageOfFault(f.text), "run", words.faults.find(([p]) => p.test(f.text))?.[1] ?? words.sentence(f.text));
  for (const stage of stages) {
    if (Object.keys(typed).some((k) => stageOfDraft(k) === stage)) add(stage, "typed", words.typedIn[stage]);
  }
  if (s.shed.id !== "" && s.shed.people.length === 0) add("shed", "see", words.nobodyNamed);

  for (const e of s.engines) {
    for (const w of e.wants) {
      if (w.steps.length > 0) add("heard", "tell", words.wants(e.name, words.channel(w.channel), words.steps(w.steps)));
    }
    for (const c of [...e.channels, ...s.channels.filter(() => e === s.engines[0])]) {
      if (!c.reading) add("heard", "tell", words.neverHeard(c.id.startsWith("ambient.") ? words.theShed : e.name, words.channel(c.id)));
    }
    for (const c of e.channels) {
      if (wantsGauge(c) && !c.calibration) add("gauge", "see", words.notCompared(e.name, words.channel(c.id)));
    }
    const own = s.limits.filter((l) => l.owner && e.limits[l.key] === undefined).map((l) => l.key);
    if (own.length > 0) add("limits", "see", words.ownerLimits(e.name, own));
  }
  return out.map((m, i) => ({ m, i })).sort((a, b) => stages.indexOf(a.m.stage) - stages.indexOf(b.m.stage) || weights.indexOf(a.m.weight) - weights.indexOf(b.m.weight) || a.i - b.i).map((x) => x.m);
}

export const weights: readonly Weight[] = ["run", "typed", "tell", "see"];
