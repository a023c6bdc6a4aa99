import { describe, expect, it } from "vitest";
import type { Entry } from "../state/wire.ts";
import { joined, lineOf } from "./entries.ts";

const names = {
  step: (id: string) => ({ "plugs-out": "Plugs out" })[id] ?? id,
  watch: (id: string) => ({ vacuum: "Vacuum in the boiler" })[id] ?? id,
  time: () => "Sun 8 Nov 09:00",
};
const entry = (kind: string, text: string, by?: string): Entry => ({ seq: 1, t: "2026-10-24T16:19:00Z", kind, text, ...(by ? { by } : {}) });
const line = (kind: string, text: string, by?: string) => lineOf(entry(kind, text, by), names);

describe("an entry as a sentence", () => {
  it.each([
    ["verdict", "plugs-out: not-yet. Cocks run dry: nobody has said so. ", undefined, "Plugs out: not yet.", "Cocks run dry: nobody has said so."],
    ["verdict", "plugs-out: proven. ", undefined, "Plugs out: proven.", ""],
    ["confirmed", "confirmed: vent-open.", "R. Penhalow", "Said: vent open.", ""],
    ["withdrawn", "withdrawn: plugs-removed.", "R. Penhalow", "Taken back: plugs out.", ""],
    ["lapsed", "vent-open, said by R. Penhalow, no longer stands: its time ran out.", "R. Penhalow", "No longer stands: vent open. Its time ran out.", "Said by R. Penhalow."],
    ["passage", "Phase: blowing-down.", undefined, "Phase: blowing down.", ""],
    ["passage", "Disposal begun (found).", undefined, "The disposal begins.", "As the firebox\u2019s fall was seen."],
    ["alarm", "Alarm vacuum is unacknowledged (medium): \u22120.13 bar in a shut boiler", undefined, "Vacuum in the boiler: raised.", "\u22120.13 bar in a shut boiler."],
    ["alarm", "Alarm vacuum is normal (low): watched again", undefined, "Vacuum in the boiler: over.", "Watched again."],
    ["alarm-shelved", "alarm-shelved: vacuum, 2026-11-08T09:00:00Z (being mended).", "T. Oxley", "Shelved: Vacuum in the boiler, Sun 8 Nov 09:00 (being mended).", ""],
    ["next-wanted", "next-wanted, 2026-11-08T09:00:00Z.", "T. Oxley", "Next wanted: Sun 8 Nov 09:00.", ""],
    ["next-wanted", "next-wanted.", "T. Oxley", "Next wanted: nobody knows.", ""],
    ["repair-booked", "repair-booked: mud door 3 weeps.", "T. Oxley", "Booked for repair: mud door 3 weeps.", ""],
    ["disposal-begun", "disposal-begun.", "T. Oxley", "Said: the disposal begins.", ""],
  ])("%s: %s", (kind, text, by, what, more) => {
    const l = line(kind, text, by);
    expect([l.what, l.more]).toEqual([what, more]);
  });
  it("a word that lapsed was taken away by nobody", () => {
    expect(line("lapsed", "vent-open, said by R. Penhalow, no longer stands: its time ran out.", "R. Penhalow").by).toBe("");
    expect(line("confirmed", "confirmed: vent-open.", "R. Penhalow").by).toBe("R. Penhalow");
  });
  it("a verdict carries its fill, and no other verdict than it has", () => {
    expect(line("verdict", "plugs-out: cannot-tell. Nothing heard yet.").verdict).toBe("cannot-tell");
    expect(line("verdict", "plugs-out: splendid. All is well.").verdict).toBeUndefined();
  });
  it("what is of no known kind is told as it was written", () => {
    expect(line("limit-changed", "zero_hold_s set from 300 to 600", "T. Oxley")).toMatchObject({ what: "zero_hold_s set from 300 to 600.", by: "T. Oxley", filter: "people" });
    expect(line("verdict", "").what).toBe("");
  });
});

describe("pages of a book", () => {
  const e = (seq: number): Entry => ({ ...entry("verdict", "x"), seq });
  it("overlap without an entry twice, the newest first", () => {
    expect(joined([e(5), e(4)], [e(4), e(3)]).map((x) => x.seq)).toEqual([5, 4, 3]);
  });
});
