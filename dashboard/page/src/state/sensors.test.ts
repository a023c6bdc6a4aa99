import { describe, expect, it } from "vitest";
import { healthOf } from "./sensors.ts";
import type { Finding, Reading, State } from "./wire.ts";

const now = Date.parse("2026-10-24T17:00:00Z");
const reading = (r: Partial<Reading>): Reading => ({ value: 1, unit: "Cel", quality: "good", at: "2026-10-24T16:59:50Z", age_s: 10, stale: false, fresh_s: 60, uncertainty: 2.5, ...r });
const finding: Finding = { channel: "firebox", kind: "frozen", since: "2026-10-24T16:40:00Z", text: "Firebox: has not changed." };
const node: Finding = { node: "shed", kind: "clock-behind", since: "2026-10-24T16:40:00Z", text: "The shed's node: its clock is behind." };
const state = (channels: Record<string, Reading>, findings: Finding[] = []): State => ({ channels, findings }) as unknown as State;

describe("the health of sensors", () => {
  it("names what was never heard, and has no reading of it", () => {
    const h = healthOf(["firebox"], undefined, now, true, 0);
    expect(h.sensors).toMatchObject([{ channel: "firebox", figure: { kind: "none" }, age: Infinity }]);
  });
  it("has the boiler first and the shed's air last, each once", () => {
    const h = healthOf(["ambient.co", "smokebox", "boiler.pressure", "boiler.shell.top"], state({ "axlebox.left": reading({}), "smokebox": reading({}), "boiler.pressure2": reading({}) }), now, true, 0);
    expect(h.sensors.map((s) => s.channel)).toEqual(["boiler.pressure", "boiler.shell.top", "boiler.pressure2", "smokebox", "axlebox.left", "ambient.co"]);
  });
  it.each<[string, Partial<Reading>, string]>([
    ["is full while it is current", {}, "full"],
    ["is an outline when it is stale", { stale: true }, "outline"],
    ["is an outline when it is too old by this page's clock", { at: "2026-10-24T16:50:00Z" }, "outline"],
    ["is an outline when it is doubtful", { quality: "uncertain", reason: "frozen" }, "outline"],
    ["is no number when it is bad", { quality: "bad" }, "lost"],
    ["is no number when there is none", { value: null }, "lost"],
  ])("a reading %s", (_, r, kind) => expect(healthOf([], state({ firebox: reading(r) }), now, true, 0).sensors[0]?.figure.kind).toBe(kind));
  it("puts a finding beside its channel, and one of a node apart", () => {
    const h = healthOf([], state({ firebox: reading({}) }, [finding, node]), now, true, 0);
    expect(h.sensors[0]?.findings).toEqual([finding]);
    expect([h.nodes, h.then]).toEqual([[node], []]);
  });
  it("shows nothing as current on a dead link: ages grow on, findings are of then", () => {
    const h = healthOf([], state({ firebox: reading({}) }, [finding, node]), now, false, 40);
    expect(h.sensors[0]).toMatchObject({ figure: { kind: "outline" }, age: 40, findings: [] });
    expect([h.nodes, h.then, h.alive]).toEqual([[], [finding, node], false]);
  });
});
