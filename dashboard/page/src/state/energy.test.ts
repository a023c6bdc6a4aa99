import { afterEach, describe, expect, it } from "vitest";
import { energy } from "./energy.ts";
import { known, link, tick } from "./held.ts";
import { nothing, type Known } from "./known.ts";

const held = { energy_mj: { value: 256, u: 32 }, water_kg: { value: 265, u: 36 } };
const withEnergy = (told: boolean): Known => ({
  ...nothing,
  n: 7, at: Date.parse("2031-05-04T17:00:00Z"),
  shed: { id: "fernhollow", name: "Fernhollow", timezone: "Europe/London", people: [], cautions: {} },
  engines: [{ id: "quillet", name: "Quillet", tanks: 2, working_pressure: 6e5, measured: [], marks: {} }],
  states: {
    quillet: {
      engine: "quillet", at: "2031-05-04T17:00:00Z", phase: "cooling", lay_up: "short", channels: {}, front: "", asks: [], forecasts: [], alarms: [], confirmations: [], steps: [],
      findings: [], bearing: { raised: 0, per_ten_min: 0, last_ten_min: 0, peak_ten_min: 0, flood: false, floods: 0, chattering: [], stale: [] },
      rest: { advice: "", watched_h: 0, damp_h: 0, condensing_h: 0, reminders: [], repairs: [] },
      ...(told ? { energy: held } : {}),
    },
  },
});

describe("what the boiler holds", () => {
  afterEach(() => {
    known.value = nothing;
    link.value = { open: false, heard: null, lastHeard: null };
    tick.value = 0;
  });
  it("is shown while the link lives, and not a moment longer", () => {
    known.value = withEnergy(true);
    link.value = { open: true, heard: 0, lastHeard: 0 };
    expect(energy.value).toEqual(held);
    tick.value = 3_600_000;
    expect(energy.value).toBeNull();
    tick.value = 0;
    link.value = { open: false, heard: 0, lastHeard: 0 };
    expect(energy.value).toBeNull();
  });
  it("is none where the daemon does not tell it", () => {
    known.value = withEnergy(false);
    link.value = { open: true, heard: 0, lastHeard: 0 };
    expect(energy.value).toBeNull();
  });
});
