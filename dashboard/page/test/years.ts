/**
 * Years of evenings for the page's own tests: an invented engine put away again and
 * again, by simple physics with scatter. It stands in for the daemon only in what is
 * said over the wire; nothing of it is ever shown to anybody else.
 */
import type { Bucket, Overlay, OverlayDisposal, PastDisposal, Rate } from "../src/state/wire.ts";
import { iso } from "./evening.ts";

const minute = 60_000;
const hour = 60 * minute;
const bar = 100_000;

/** The same numbers every time. */
function chance(seed: number): () => number {
  let s = seed >>> 0;
  return () => {
    s = (Math.imul(s, 1_664_525) + 1_013_904_223) >>> 0;
    return s / 4_294_967_296;
  };
}

/** What made one evening different from another. */
interface Made {
  readonly disposal: PastDisposal;
  readonly begun: number;
  readonly end: number;
  readonly out: number;
  /** When the cocks were opened, when they were empty; null where it was not blown down. */
  readonly opened: number | null;
  readonly loss: number;
  readonly first: number;
  /** A stretch from which nothing was heard. */
  readonly gap: readonly [number, number] | null;
}

const air = 12;
const blowDownMs = 14 * minute;

const pressureAt = (e: Made, t: number): number => {
  const shut = (at: number): number => {
    if (at < e.out) return e.first - 0.0006 * ((at - e.begun) / minute);
    const h = (at - e.out) / hour;
    const moved = 0.9 * Math.min(1, Math.max(0, (at - e.out - 6 * minute) / (8 * minute)));
    return Math.max(0, (e.first - moved) * Math.exp(-h * e.loss * 7));
  };
  if (e.opened === null || t < e.opened) return shut(t) * bar;
  const d = (t - e.opened) / blowDownMs;
  return d < 1 ? shut(e.opened) * (1 - d ** 3) * bar : 900;
};

const saturation = (gaugeBar: number): number => 1668.21 / (7.96681 - Math.log10(Math.max(1, (gaugeBar + 1.005) * 750.06))) - 228;

const shellAt = (e: Made, t: number): number => {
  const empty = e.opened === null ? Infinity : e.opened + blowDownMs;
  if (t < empty) return saturation(Math.max(0.02, pressureAt(e, t) / bar)) - 3;
  return air + (118 - air) * Math.exp(-(t - empty) / hour * e.loss * 3.2);
};

const fireboxAt = (e: Made, t: number): number => (t < e.out ? 760 + 30 * Math.sin(t / minute) : air + 420 * Math.exp(-(t - e.out) / (9 * minute)) + 210 * Math.exp(-(t - e.out) / (2.6 * hour)));

const of: Readonly<Record<string, (e: Made, t: number) => number>> = {
  "boiler.pressure": pressureAt, "boiler.shell.top": shellAt, "boiler.shell.bottom": (e, t) => shellAt(e, t) - 14, "firebox": fireboxAt,
};

const rest = (c: string, t: number): number => (c === "boiler.pressure" ? 0 : air + 3 * Math.sin(((t % (24 * hour)) / (24 * hour)) * 2 * Math.PI));

export class Years {
  readonly engine: string;
  private readonly made: readonly Made[];
  private readonly held = new Map<string, string>();

  /** `count` evenings, the newest ending before `until`: two a week in the season, none from November to March. */
  constructor(engine: string, count: number, until: number) {
    this.engine = engine;
    const out: Made[] = [];
    const next = chance(count);
    let t = Math.floor(until / (24 * hour)) * 24 * hour - 20 * hour;
    while (out.length < count) {
      const month = new Date(t).getUTCMonth();
      if (month >= 3 && month <= 9) out.push(this.evening(t + 14 * hour + next() * 2 * hour, out.length, next));
      t -= (next() < 0.5 ? 3 : 4) * 24 * hour;
    }
    this.made = out;
  }

  private evening(begun: number, i: number, next: () => number): Made {
    const loss = (i === 0 ? 0.155 : 0.085 + 0.03 * next()) * (1 + 0.1 * (next() - 0.5));
    const first = 5.7 + 0.6 * next();
    const out = begun + (20 + 25 * next()) * minute;
    const notBlown = i % 17 === 7;
    const opened = notBlown ? null : out + (45 + 50 * next() + 200 * Math.max(0, 0.12 - loss)) * minute;
    const end = out + 10 * hour;
    const bare = { begun, end, out, opened, loss, first, gap: i % 11 === 4 ? ([out + 62 * minute, out + 81 * minute] as const) : null };
    const at = (v: number | null): string | null => (v === null ? null : iso(v));
    const zero = opened === null ? null : opened + blowDownMs + 3 * minute;
    const made = { ...bare, disposal: null as unknown as PastDisposal };
    const below = (limit: number, f: (e: Made, t: number) => number): number | null => {
      for (let t = out; t < end; t += minute) if (f(made, t) < limit) return t;
      return null;
    };
    // One evening whose fire nobody saw go: it cannot be laid by it.
    const seen = i % 23 !== 13;
    const spread = loss * (0.05 + 0.03 * next());
    const rate: Rate = { value: loss, lo: loss - spread, hi: loss + spread, means: 60, effective: 22, hours: 1.4 };
    return {
      ...bare,
      disposal: {
        id: iso(begun).slice(0, 19).replace(/[-:]/g, "").toLowerCase(),
        begun: iso(begun),
        ended: iso(end),
        summary: {
          engine: this.engine, begun: iso(begun), ended: iso(end), lay_up: "dry",
          first: { pressure_pa: first * bar, shell_c: saturation(first) - 3, firebox_c: 760, level: 0.7, air_c: air },
          passed: {
            fire_out: seen ? iso(out + 2 * minute) : null, blow_down_begun: at(opened), blow_down_finished: at(opened === null ? null : opened + blowDownMs), pressure_zero: at(zero),
            below_boiling: at(below(95, shellAt)), firebox_cool: at(below(100, fireboxAt)), smokebox_cool: at(below(130, fireboxAt)), touchable: null,
            tanks_empty: null, plugs_removed: at(zero === null ? null : zero + (9 + 8 * next()) * minute), barrel_dry: null,
          },
          heat_loss: i % 19 === 5 ? null : rate, heat_loss_high: null, heat_loss_low: null, fall_at_100k: null, firebox_time_constant: null, shell_time_constant: null, pressure_lag: null,
          fastest_cooling: 61 + 10 * next(), largest_spread: 14, tank_drain_s: null, drying_h: null, samples: 51_000, forecasts: [],
        },
      },
    };
  }

  get disposals(): readonly PastDisposal[] {
    return this.made.map((m) => m.disposal);
  }

  /** The calls of this engine's years; undefined for another. */
  answer(method: string, u: URL): { readonly status?: number; readonly body: string } | undefined {
    const m = /^\/api\/v1\/engines\/([^/]+)\/([^/]+)$/.exec(u.pathname);
    if (method !== "GET" || !m || m[1] !== this.engine) return undefined;
    const key = u.pathname + u.search;
    const make = (): string | undefined => {
      switch (m[2]) {
        case "disposals":
          return JSON.stringify(this.disposals);
        case "overlay":
          return JSON.stringify(this.overlay(u.searchParams));
        case "series":
          return JSON.stringify(this.series(u.searchParams));
        default:
          return undefined;
      }
    };
    // What was once asked is answered at once, so that a measurement is of the page alone.
    const body = this.held.get(key) ?? make();
    if (body === undefined) return undefined;
    this.held.set(key, body);
    return { body };
  }

  private overlay(q: URLSearchParams): Overlay {
    const channel = q.get("channel") ?? "";
    const align = (q.get("align") ?? "fire-out") as Overlay["align"];
    const points = Number(q.get("points") ?? 1200);
    return { channel, unit: channel === "boiler.pressure" ? "Pa" : "Cel", align, disposals: q.getAll("disposal").map((id) => this.curve(id, channel, align, points)) };
  }

  private curve(id: string, channel: string, align: Overlay["align"], points: number): OverlayDisposal {
    const e = this.made.find((x) => x.disposal.id === id);
    if (!e) throw new Error(`no evening has the id ${id}`);
    const p = e.disposal.summary?.passed;
    const at = { "fire-out": p?.fire_out, "blow-down": p?.blow_down_begun, "pressure-zero": p?.pressure_zero }[align] ?? null;
    const zero = Date.parse(at ?? e.disposal.begun);
    const s: number[] = [];
    const mean: (number | null)[] = [];
    const noise = chance(e.begun / 1000);
    const per = (e.end - e.begun) / points;
    // Rounded as the daemon rounds: times of wide buckets to a second, values to a twentieth of the sensor's uncertainty or less.
    const timeStep = per >= 10_000 ? 1_000 : 100;
    const perUnit = channel === "boiler.pressure" ? 0.01 : 10;
    for (let i = 0; i < points; i++) {
      const t = e.begun + (i + 0.5) * per;
      s.push(Math.round((t - zero) / timeStep) * timeStep / 1000);
      const lost = e.gap !== null && t > e.gap[0] && t < e.gap[1];
      mean.push(lost ? null : Math.round(((of[channel] ?? (() => 0))(e, t) + (noise() - 0.5) * (channel === "boiler.pressure" ? 3000 : 0.8)) * perUnit) / perUnit);
    }
    return { id, begun: e.disposal.begun, ended: iso(e.end), at, why: at === null ? `The mark of ${align} was never passed.` : "", s, mean };
  }

  private series(q: URLSearchParams): { channel: string; unit: string; from: string; to: string; buckets: Bucket[] } {
    const channel = q.get("channel") ?? "";
    const [from, to] = [Date.parse(q.get("from") ?? ""), Date.parse(q.get("to") ?? "")];
    const raw = Math.ceil((to - from) / Number(q.get("points") ?? 600));
    const unit = raw >= 80 * minute ? hour : raw >= minute ? minute : 1;
    const width = Math.ceil(raw / unit) * unit;
    const every = channel === "boiler.pressure" ? 1_000 : 5_000;
    const buckets: Bucket[] = [];
    const oldest = this.made.at(-1)?.begun ?? 0;
    const newest = this.made[0]?.end ?? 0;
    for (let t = Math.floor(from / unit) * unit; t < to; t += width) {
      const [a, b] = [Math.max(t, from), Math.min(t + width, to)];
      if (b <= oldest || a >= newest) continue;
      let [min, max, sum, count] = [Infinity, -Infinity, 0, 0];
      // As many samples as say what the bucket holds; each at a time of the instrument's own.
      const step = Math.max(every, Math.ceil((b - a) / 24 / every) * every);
      for (let k = Math.ceil(a / step) * step; k < b; k += step) {
        const e = this.made.find((x) => k >= x.begun && k < x.end);
        if (e?.gap && k > e.gap[0] && k < e.gap[1]) continue;
        const v = e ? (of[channel] ?? (() => 0))(e, k) : rest(channel, k);
        min = Math.min(min, v);
        max = Math.max(max, v);
        sum += v;
        count++;
      }
      if (count > 0) buckets.push({ from: iso(a), to: iso(b), min, mean: sum / count, max, count, worst: "good" });
    }
    return { channel, unit: channel === "boiler.pressure" ? "Pa" : "Cel", from: iso(from), to: iso(to), buckets };
  }
}
