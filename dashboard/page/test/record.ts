/** Years of evenings, a book's chain and a rerun for the tests of an engine's record, in the words of the daemon. */
import type { BookChain, Limit, PastDisposal, Rerun, Trends } from "../src/state/wire.ts";

const day = 24 * 3_600_000;
const iso = (t: number): string => new Date(t).toISOString().replace(".000Z", "Z");

/** The same numbers each time, about 0, of about 1 to either side. */
function scatter(seed: number): () => number {
  let n = seed;
  return () => {
    n = (n * 1_103_515_245 + 12_345) % 2_147_483_648;
    return n / 1_073_741_824 - 1;
  };
}

/** Two seasons of an engine whose lagging was hurt in the second, whose tanks drain ever slower, and whose lag was never known. */
export function years(engine: string, newest: number): Trends {
  const evenings: number[] = [];
  for (let t = newest - 560 * day; t <= newest; t += 11 * day) {
    const month = new Date(t).getUTCMonth();
    if (month >= 3 && month <= 10) evenings.push(t); // No running in the winter: a gap.
  }
  const r = scatter(7);
  const step = evenings.length - 9;
  const of = (quantity: string, title: string, unit: string, f: (i: number) => number, skip = 1) => ({
    quantity, title, unit,
    points: evenings.flatMap((t, i) => (i % skip === skip - 1 || skip === 1 ? [{ t: iso(t), value: f(i) }] : [])),
  });
  const loss = of("heat-loss", "heat loss of the shut boiler", "per hour", (i) => (i < step ? 0.106 : 0.149) * (1 + 0.07 * r()));
  const drain = of("tank-drain", "time in which the tanks drain", "s", (i) => 420 + 6 * i + 25 * r());
  const since = evenings[step] ?? newest;
  const first = evenings[0] ?? newest;
  return {
    engine,
    findings: [
      {
        quantity: "heat-loss", unit: "per hour", kind: "step", since: iso(since), until: iso(newest), before: 0.106, after: 0.149,
        change: 0.043, lo: 0.036, hi: 0.049, p: 0.0004, evenings_before: step, evenings_after: evenings.length - step,
        text: `Since ${new Date(since).getUTCDate()} ${new Date(since).toLocaleString("en-GB", { month: "long", timeZone: "UTC" })} the boiler loses heat 41 % faster than before (0.149 per hour, before 0.106; 9 and ${step} evenings): is the lagging damaged or wet?`,
      },
      {
        quantity: "tank-drain", unit: "s", kind: "drift", since: iso(first), until: iso(newest), before: 425, after: 662, change: 156, lo: 141, hi: 170, p: 0.0021,
        evenings_before: 0, evenings_after: evenings.length,
        text: `From 12 April 2025 to 24 October 2026 the tanks take 37 % longer to drain with each year (662 s, at first 425 s; ${evenings.length} evenings): is a strainer or the drain choked?`,
      },
    ],
    series: [
      of("heat-loss-with-pressure", "heat loss above half the working pressure over that below", "", () => 1.04 + 0.05 * r(), 2),
      loss,
      of("shell-time-constant", "time constant of the emptied shell", "h", (i) => (i === 4 ? 31 : 13.4 + 0.9 * r())),
      of("fall-at-100k", "fall of the saturation temperature at 100 K above the air", "K/h", (i) => (i < step ? 10.4 : 14.2) * (1 + 0.06 * r())),
      { quantity: "firebox-time-constant", title: "time constant of the firebox over the shell", unit: "h", points: [{ t: iso(newest), value: 1.26 }] },
      of("pressure-lag", "by how much the pressure follows the shell late", "s", () => -31 + 5 * r()),
      drain,
    ],
  };
}

/** Three evenings: too few for anything to be found. */
export function fewYears(engine: string, newest: number): Trends {
  const t = years(engine, newest);
  return { ...t, findings: [], series: t.series.map((s) => ({ ...s, points: s.points.slice(-3) })) };
}

/** No evening at all. */
export const noYears = (engine: string, newest: number): Trends => ({ ...years(engine, newest), findings: [], series: years(engine, newest).series.map((s) => ({ ...s, points: [] })) });

const hash = "9f2c4a1e".repeat(8);

export const whole = (entries: number, first: string, last: string): BookChain => ({
  state: "whole", progress: null, proved_at: last, entries, first, last, hash, mark: `${entries}:${hash}`, broken: null,
  text: `All ${entries} entries are as they were written.`,
});

export const broken = (seq: number, first: string, last: string): BookChain => ({
  state: "broken", progress: null, proved_at: last, entries: seq - 1, first, last, hash, mark: `${seq - 1}:${hash}`,
  broken: { seq, at: last, kind: "verdict", fault: "changed", why: "its hash is not that of what stands in it" },
  text: `Entry ${seq} is not as it was written. Compare with a backup or a printed report.`,
});

export const limitsOf = (): Limit[] => [
  { key: "zero_hold_s", title: "how long pressure must stay inside its zero band", unit: "s", value: 300, default: 300, min: 60, max: 7200, source: "common practice, no source", steps: ["plugs-out"] },
  { key: "blow_down_max_bar", title: "highest pressure at which to open the blow-down cocks", unit: "bar", value: 3.1, default: null, min: 0.05, max: 40, source: "sources disagree: no default may claim to be the rule", steps: ["blow-down"] },
  { key: "house_firebox_c", title: "firebox at which an emptied engine is housed, falling for 30 min", unit: "\u00b0C", value: 100, default: 100, min: 40, max: 200, source: "common practice, no source", steps: ["house"] },
  { key: "vacuum_bar", title: "vacuum in the boiler, for 2 min", unit: "bar", value: -0.1, default: -0.1, min: -1, max: -0.01, source: "common practice, no source", steps: [] },
];

/** An evening on which a longer hold would have held the plugs back, and a hotter firebox let it in earlier. */
export function rerunOf(engine: string, d: PastDisposal): Rerun {
  const from = Date.parse(d.begun);
  const to = Date.parse(d.ended ?? iso(from + 5 * 3_600_000));
  const at = (min: number): string => iso(from + min * 60_000);
  const end = iso(to);
  return {
    engine, id: d.id, from: iso(from), to: end, faithful: false,
    limits: [{ key: "zero_hold_s", unit: "s", was: 300, now: 1800 }, { key: "house_firebox_c", unit: "\u00b0C", was: 100, now: 150 }],
    text: "By these limits 2 of 4 steps would have been proven at other times.",
    steps: [
      {
        step: "drop-fire", title: "Drop the fire", faithful: true, why: "", first_proven_was: at(8), first_proven_now: at(8), moved_s: 0,
        was: [{ from: at(0), to: at(8), verdict: "not-yet" }, { from: at(8), to: at(24), verdict: "proven" }, { from: at(24), to: end, verdict: "not-yet" }],
        now: [{ from: at(0), to: at(8), verdict: "not-yet" }, { from: at(8), to: at(24), verdict: "proven" }, { from: at(24), to: end, verdict: "not-yet" }],
      },
      {
        step: "plugs-out", title: "Plugs out", faithful: true, why: "Pressure inside its zero band for 30 min instead of 5 min.",
        first_proven_was: at(49), first_proven_now: at(67), moved_s: 18 * 60,
        was: [{ from: at(0), to: at(49), verdict: "not-yet" }, { from: at(49), to: end, verdict: "proven" }],
        now: [{ from: at(0), to: at(67), verdict: "not-yet" }, { from: at(67), to: end, verdict: "proven" }],
      },
      {
        step: "house", title: "House", faithful: false, why: "Firebox under 150 \u00b0C instead of 100 \u00b0C.", first_proven_was: at(190), first_proven_now: at(131), moved_s: -59 * 60,
        was: [{ from: at(0), to: at(60), verdict: "cannot-tell" }, { from: at(60), to: at(190), verdict: "not-yet" }, { from: at(190), to: end, verdict: "proven" }],
        now: [{ from: at(0), to: at(60), verdict: "cannot-tell" }, { from: at(60), to: at(131), verdict: "not-yet" }, { from: at(131), to: end, verdict: "proven" }],
      },
      {
        step: "seal-dry", title: "Seal it dry", faithful: true, why: "", first_proven_was: null, first_proven_now: null, moved_s: null,
        was: [{ from: at(0), to: end, verdict: "not-yet" }], now: [{ from: at(0), to: end, verdict: "not-yet" }],
      },
    ],
  };
}
