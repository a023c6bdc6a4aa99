/**
 * An evening for the page's own tests: one engine of an invented railway put away,
 * by simple physics (water and metal on the saturation line, an emptying through
 * the cocks, brick and metal cooling in two time constants), and judged simply. It
 * stands in for the daemon only in what is said over the wire.
 */
import { alarm, borne, doubtful, resting, flooded, troubled, working } from "./troubles.ts";
import type { Alarm, Ask, Engine, Finding, Given, Reading, Reason, Shed, Stamp, State, Step, Verdict } from "../src/state/wire.ts";

export type Fault = "none" | "pressure-missing" | "vacuum" | "tank-silent" | "troubled" | "flooded" | "clock-ahead" | "resting" | "lighting";

export interface Plan {
  readonly engine: string;
  readonly name: string;
  readonly begun: number;
  readonly fault: Fault;
  /** True where a simulated crew confirms and does; else everything waits for the page. */
  readonly crew: boolean;
  /** False for an engine from which nothing was ever heard. */
  readonly measured: boolean;
}

export const shed: Shed = { id: "fernhollow", name: "Fernhollow shed", timezone: "Europe/London", people: ["R. Penhalow", "T. Oxley"],
  cautions: {
    "drop-fire": ["Water in the glass, well above the bottom nut; prove both glasses first. The level falls by a tenth or more as water cools.", "A moving or boiling level is not a reading."],
    "move-under-steam": ["Brakes may need steam. Know what holds the engine when it is gone, and scotch it."],
    "blow-down": ["Everything that leaves the cock is at or above boiling, and part of it turns to steam at once. Clear people, animals, point work and the path of the jet."],
    "plugs-out": ["No single reading proves a boiler without pressure. Vent open and quiet, gauge at zero, a try cock that neither blows nor sucks, and water below boiling or boiler seen empty: all, by different means."],
    "open-smokebox": ["Char and brick stay hot long after the shell; opening a door feeds air to a fire thought to be out."],
    "house": ["Embers, gas and steam come in with the engine. Nobody alone until the air is known to be good."],
  },
};

const minute = 60_000;
const bar = 100_000;
const air = 12;
const boiling = 99.8;

/** Saturation temperature (°C) at a gauge pressure, by the Antoine equation for water; from memory, within 1 K here. */
const saturation = (gaugeBar: number): number => {
  const mmHg = (gaugeBar + 1.005) * 750.06;
  return 1668.21 / (7.96681 - Math.log10(Math.max(1, mmHg))) - 228;
};

interface Sample {
  readonly t: number;
  readonly v: number | null;
}

const units: Record<string, string> = {
  "boiler.pressure": "Pa", "boiler.shell.top": "Cel", "boiler.shell.bottom": "Cel", "boiler.level": "/", "firebox": "Cel", "smokebox": "Cel",
  "blowdown.pipe": "Cel", "tank.left.level": "/", "tank.right.level": "/", "ambient.temperature": "Cel", "ambient.pressure": "Pa",
  "ambient.humidity": "%RH", "ambient.co": "/", "boiler.shell.dome": "Cel", "boiler.humidity": "%RH", "axlebox.left": "Cel",
};
const fresh = (c: string): number => (c === "boiler.pressure" ? 15 : c.startsWith("tank") ? 120 : c.startsWith("ambient") ? 900 : 60);
const uncertainty = (c: string): number => (units[c] === "Pa" ? 4_000 : units[c] === "Cel" ? 2 : 0.02);

export class Evening {
  readonly plan: Plan;
  readonly samples = new Map<string, Sample[]>();
  readonly stamps: Stamp[] = [];
  readonly segments = new Map<string, { t: string; verdict: Verdict }[]>();
  private readonly given = new Map<string, Given>();
  private readonly done = new Map<string, number>();
  private readonly since = new Map<string, { v: Verdict; t: number }>();
  private t: number;
  private noise = 12345;
  private opened: number | null = null;
  private openedAt = 0;
  private zeroSince: number | null = null;
  private ended: number | null = null;
  /** What people did about alarms, by watch, over what the evening says of them. */
  private readonly handled = new Map<string, Partial<Alarm> | null>();
  private readonly made: { alarms: Alarm[]; findings: Finding[] };
  private repairs: string[] = [];
  private wanted: string | undefined;

  constructor(plan: Plan) {
    this.plan = plan;
    this.t = plan.begun;
    const now = plan.begun + 124 * minute;
    this.made =
      plan.fault === "troubled" ? { alarms: troubled(plan.engine, now), findings: doubtful(now) }
      : plan.fault === "clock-ahead" ? { alarms: troubled(plan.engine, now).filter((a) => a.watch === "clock-wrong"), findings: doubtful(now).filter((f) => f.kind === "clock") }
      : plan.fault === "flooded" ? { alarms: flooded(plan.engine, now), findings: doubtful(now) }
      : { alarms: [], findings: [] };
    if (this.rests) {
      this.repairs = ["mud door 3 weeps at its lower edge", "left injector does not pick up"];
      this.given.set("plugs-removed", { confirm: "plugs-removed", by: "R. Penhalow", at: iso(plan.begun - 90 * 60 * minute) });
    }
  }

  private get rests(): boolean {
    return this.plan.fault === "resting" || this.plan.fault === "lighting";
  }

  get engine(): Engine {
    return {
      id: this.plan.engine,
      name: this.plan.name,
      tanks: 2,
      working_pressure: 6 * bar,
      measured: Object.keys(units),
      marks: { zero_band: 8_000, blow_down_max: 3 * bar, blow_down_min: 0.5 * bar, boiling_c: boiling, house_firebox_c: 100, house_smokebox_c: 100 },
    };
  }

  private random(): number {
    this.noise = (this.noise * 1_103_515_245 + 12_345) % 2_147_483_648;
    return this.noise / 2_147_483_648 - 0.5;
  }

  /** Minutes since the beginning. */
  private minutes(t = this.t): number {
    return (t - this.plan.begun) / minute;
  }

  private pressure(): number {
    if (this.rests) return 0.01;
    const m = this.minutes();
    if (this.opened !== null) {
      const d = (this.t - this.opened) / minute;
      const p = d < 14 ? this.openedAt * (1 - (d / 14) ** 3) : 0;
      if (p > 0.02) return p;
      if (this.plan.fault === "vacuum" && d > 85) return Math.max(-0.6, -(d - 85) * 0.0105);
      return 0.01;
    }
    if (m < 32) return 6.25 - 0.002 * m;
    const moves = [38, 46];
    const used = moves.reduce((s, a) => s + 0.62 * Math.min(1, Math.max(0, (m - a) / 4)), 0);
    return Math.max(0.3, (6.19 - used) * Math.exp(-(m - 32) / 115));
  }

  private firebox(): number {
    const m = this.minutes() - 32;
    if (this.rests) return air + 1;
    return m < 0 ? 880 + 20 * this.random() : air + 600 * Math.exp(-m / 7) + 268 * Math.exp(-m / 110);
  }

  private measure(c: string): number | null {
    const p = this.pressure();
    const empty = this.opened === null ? 0 : Math.max(0, (this.t - this.opened) / minute - 14);
    const hot = this.rests ? air - 4 : empty > 0 ? air + (126 - air) * Math.exp(-empty / 260) : saturation(Math.max(0.9, p)) + 0.2 * this.random();
    const run = this.opened === null ? 0 : (this.t - this.opened) / minute;
    switch (c) {
      case "boiler.pressure":
        if (this.plan.fault === "pressure-missing" && this.minutes() > 70) return null;
        return (p + 0.012 * this.random()) * bar;
      case "boiler.shell.top":
      case "boiler.shell.dome":
        return hot;
      case "boiler.shell.bottom":
        return hot - 3;
      case "boiler.level":
        return this.opened === null ? 0.71 + 0.01 * this.random() : Math.max(0, 0.7 - run / 8);
      case "firebox":
        return this.firebox();
      case "smokebox":
        return air + 230 * Math.exp(-Math.max(0, this.minutes() - 32) / 95);
      case "blowdown.pipe":
        return this.opened === null ? 24 : run < 13 ? 138 : air + 126 * Math.exp(-(run - 13) / 14);
      case "tank.left.level":
        return 0.44;
      case "tank.right.level":
        return this.plan.fault === "tank-silent" && this.minutes() > 51 ? null : 0.43;
      case "ambient.temperature":
        return air;
      case "ambient.pressure":
        return 100_500;
      case "ambient.humidity":
        return 71;
      case "ambient.co":
        return 0.000004;
      default:
        return 40;
    }
  }

  /** Goes on to a time, sample by sample. */
  goTo(t: number): void {
    const step = 5_000;
    while (this.t + step <= t) {
      this.t += step;
      if (this.plan.measured) {
        for (const c of Object.keys(units)) {
          const every = c === "boiler.pressure" ? 5_000 : c.startsWith("ambient") ? 60_000 : 10_000;
          if (this.t % every !== 0) continue;
          const v = this.measure(c);
          if (v === null) continue;
          const all = this.samples.get(c) ?? [];
          all.push({ t: this.t, v });
          this.samples.set(c, all);
        }
      }
      this.judge();
      if (this.plan.crew) this.act();
    }
  }

  private act(): void {
    const m = this.minutes();
    const steps = this.steps();
    const proven = (id: string): boolean => steps.find((s) => s.id === id)?.verdict === "proven";
    const undone = (id: string): boolean => !this.done.has(id);
    const say = (what: string, from: number): void => {
      if (m >= from && !this.given.has(what)) this.confirm(what, "R. Penhalow");
    };
    say("glasses-proved", 5);
    if (m >= 32 && undone("drop-fire") && proven("drop-fire")) this.finish("drop-fire");
    say("fire-dropped", 33);
    if (this.done.has("drop-fire")) say("ash-pan-shut", 59);
    if (m >= 86 && undone("move-under-steam") && proven("move-under-steam")) this.finish("move-under-steam");
    if (m >= 86) say("at-blow-down-place", 86);
    if (m >= 90) say("people-clear", 90);
    if (proven("blow-down") && this.opened === null) this.open();
    if (this.opened !== null && undone("blow-down") && this.t - this.opened > 14 * minute) this.finish("blow-down");
    if (this.done.has("blow-down")) {
      const after = (this.t - (this.done.get("blow-down") ?? 0)) / minute;
      if (after > 6) say("cocks-run-dry", 0);
      if (after > 9 && this.plan.fault !== "vacuum") say("vent-open", 0);
      if (after > 18 && proven("plugs-out") && undone("plugs-out") && this.plan.fault !== "vacuum") {
        this.confirm("plugs-removed", "R. Penhalow");
        this.finish("plugs-out");
      }
    }
    if (this.done.has("plugs-out")) {
      say("blower-shut", 0);
      if (proven("open-smokebox") && undone("open-smokebox")) this.finish("open-smokebox");
      if (m > 140) {
        say("drain-clear", 0);
        say("ash-cleared", 0);
        say("smokebox-ajar", 0);
      }
      if (undone("drain-tanks") && proven("drain-tanks")) this.finish("drain-tanks");
      if (undone("house") && proven("house")) {
        this.finish("house");
        this.ended = this.t;
      }
    }
  }

  open(): void {
    this.openedAt = this.pressure();
    this.opened = this.t;
  }

  private finish(step: string): void {
    this.done.set(step, this.t);
  }

  confirm(what: string, by: string): Stamp {
    this.given.set(what, { confirm: what, by, at: iso(this.t), ...(what === "ash-pan-shut" ? { until: iso(this.t + 60 * minute) } : {}) });
    return this.stamp("confirmed", what, by);
  }

  withdraw(what: string, by: string): Stamp | null {
    return this.given.delete(what) ? this.stamp("withdrawn", what, by) : null;
  }

  private stamp(kind: Stamp["kind"], subject: string, by: string): Stamp {
    const s: Stamp = { t: iso(this.t), kind, subject, by };
    this.stamps.push(s);
    return s;
  }

  private last(c: string): Sample | undefined {
    return this.samples.get(c)?.at(-1);
  }

  private reading(c: string): Reading | undefined {
    const s = this.last(c);
    if (!s) return undefined;
    const age = (this.t - s.t) / 1000;
    if (this.plan.fault === "clock-ahead" && this.minutes() > 60)
      return { value: s.v, unit: units[c] ?? "", quality: "bad", reason: "clock ahead by 1m34s", at: iso(s.t + 94_000), age_s: -94, stale: false, fresh_s: fresh(c), uncertainty: uncertainty(c) };
    return { value: s.v, unit: units[c] ?? "", quality: "good", at: iso(s.t), age_s: age, stale: age > fresh(c), fresh_s: fresh(c), uncertainty: uncertainty(c) };
  }

  private told(c: string): number | null {
    const r = this.reading(c);
    return r && !r.stale && r.quality === "good" ? r.value : null;
  }

  private judge(): void {
    const p = this.told("boiler.pressure");
    this.zeroSince = p !== null && Math.abs(p) < 8_000 ? (this.zeroSince ?? this.t) : null;
    for (const s of this.steps()) {
      const was = this.since.get(s.id);
      if (!was || was.v !== s.verdict) {
        this.since.set(s.id, { v: s.verdict, t: this.t });
        const all = this.segments.get(s.id) ?? [];
        all.push({ t: iso(this.t), verdict: s.verdict });
        this.segments.set(s.id, all);
      }
    }
  }

  private steps(): Step[] {
    const p = this.told("boiler.pressure");
    const f = this.told("firebox");
    const shell = this.told("boiler.shell.top");
    const level = this.told("boiler.level");
    const smoke = this.told("smokebox");
    const warm = this.minutes() < 5;
    const seen = (evidence: string, title: string, v: number | null, proven: boolean, text: string): Reason => ({
      evidence,
      title,
      verdict: v === null || warm ? "cannot-tell" : proven ? "proven" : "not-yet",
      text: v === null ? `No ${title.toLowerCase()} can be told: nothing heard from its sensor. Look at the gauge and at the sensor's cable.` : text,
    });
    const by = (confirm: string, title: string): Reason => {
      const g = this.given.get(confirm);
      return { evidence: confirm, title, confirm, verdict: g ? "proven" : "not-yet", text: g ? `${g.by} says so.` : `Nobody has said so yet.` };
    };
    const b = (v: number | null): string => ((v ?? 0) / bar).toFixed(2).replace("-", "\u2212");
    const zeroFor = this.zeroSince === null ? 0 : (this.t - this.zeroSince) / minute;
    const fireOut: Reason = seen("fire-out", "Fire out", f, this.given.has("fire-dropped") && (f ?? 999) < 400, `Firebox reads ${f?.toFixed(0)} \u00b0C, to be under 400 \u00b0C and falling.`);
    const zero = seen(
      "pressure-zero", "Pressure zero", p, zeroFor >= 5,
      zeroFor > 0
        ? `Pressure reads ${b(p)} bar \u00b1 0.04, inside the zero band of \u00b1 0.08 bar, for ${Math.floor(zeroFor)} min of 5.`
        : (p ?? 0) < 0 ? `Pressure reads ${b(p)} bar: a vacuum is not zero.` : `Pressure reads ${b(p)} bar, to be within 0.08 bar of zero for 5 min.`,
    );
    const empty = seen("nothing-left-to-boil", "Nothing left to boil", shell, this.opened !== null && (level ?? 1) <= 0 && this.given.has("cocks-run-dry"), `Level in the glass ${level?.toFixed(2)}, the pipe ${this.told("blowdown.pipe")?.toFixed(0)} \u00b0C.`);
    const smokeCool = seen("smokebox-cool", "Smokebox cool", smoke, (smoke ?? 999) < 120, `Smokebox reads ${smoke?.toFixed(0)} \u00b0C, to be under 120 \u00b0C.`);
    const all: [string, string, Reason[]][] = [
      ["drop-fire", "Drop the fire", [
        seen("water-in-glass", "Water in the glass", level, (level ?? 0) > 0.6 || this.done.has("drop-fire"), `Water stands at ${level?.toFixed(2)} of the glass, to be 0.60 or more.`),
        by("glasses-proved", "Both glasses proved"),
        seen("pressure-in-range", "Pressure in range", p, true, `Pressure reads ${b(p)} bar, between 2.40 and 6.00 bar.`),
      ]],
      ["move-under-steam", "Move in steam", [
        seen("steam-to-move", "Steam to move", p, (p ?? 0) > 2 * bar, `Pressure reads ${b(p)} bar, to be 2.00 bar or more for 15 min more.`),
        by("ash-pan-shut", "Ash pan shut"),
      ]],
      ["blow-down", "Blow down", [
        fireOut,
        seen("pressure-to-blow-down", "Pressure to blow down", p, (p ?? 9e9) + 4_000 <= 3 * bar, `${b(p)} bar in the boiler, to be 3.00 bar or less.`),
        by("at-blow-down-place", "At the blow-down place"),
        by("people-clear", "People clear"),
      ]],
      ["plugs-out", "Plugs out", [zero, empty, by("vent-open", "Vent open"), by("cocks-run-dry", "Cocks run dry")]],
      ["open-smokebox", "Open smokebox", [fireOut, smokeCool, by("blower-shut", "Blower shut")]],
      ["drain-tanks", "Drain tanks", [fireOut, seen("right-tank", "Right tank", this.told("tank.right.level"), true, "Right tank reads 0.43."), by("drain-clear", "Drain clear")]],
      ["house", "House", [
        seen("firebox-cool", "Firebox cool", f, (f ?? 999) < 100, `Firebox reads ${f?.toFixed(0)} \u00b0C, to be under 100 \u00b0C and falling.`),
        { ...smokeCool, verdict: (smoke ?? 999) < 100 ? smokeCool.verdict : smoke === null ? "cannot-tell" : "not-yet" }, zero, empty,
        by("ash-cleared", "Ash cleared"), by("smokebox-ajar", "Smokebox ajar"),
      ]],
    ];
    return all.map(([id, title, because]) => {
      const verdict: Verdict = because.some((r) => r.verdict === "cannot-tell") ? "cannot-tell" : because.every((r) => r.verdict === "proven") ? "proven" : "not-yet";
      const done = this.done.get(id);
      const since = this.since.get(id);
      return { id, title, verdict, because, since: iso(since?.v === verdict ? since.t : this.t), ...(done === undefined ? {} : { done: iso(done) }) };
    });
  }

  state(): State {
    const steps = this.steps();
    const front = steps.find((s) => s.done === undefined)?.id ?? "";
    const questions: Record<string, string> = {
      "glasses-proved": "Both glasses proved, and water in them?",
      "ash-pan-shut": "Ash-pan slide shut?",
      "at-blow-down-place": "At the blow-down place, scotched, brake on?",
      "people-clear": "Everyone clear of cocks and jet?",
      "vent-open": "Vent open, and no air heard going in?",
      "cocks-run-dry": "Both blow-down cocks open, and nothing coming out?",
      "blower-shut": "Blower shut?",
      "drain-clear": "Drain clear?",
      "ash-cleared": "Ash cleared, pan and pit?",
      "smokebox-ajar": "Smokebox door ajar?",
    };
    const asks: Ask[] = steps
      .filter((s) => s.id === front)
      .flatMap((s) => s.because.filter((r) => r.confirm && r.verdict !== "proven").map((r) => ({ s, r })))
      .map(({ s, r }, i) => ({
        confirm: r.confirm ?? "", question: questions[r.confirm ?? ""] ?? `${r.title}?`, step: s.id, now: r.confirm !== "people-clear" || i === 0,
        ...(r.confirm === "people-clear" && i > 0 ? { note: "Asked when the engine is at its place" } : {}),
      }));
    if (!this.done.has("blow-down") && this.opened === null && this.given.has("fire-dropped") === false && this.done.has("drop-fire")) {
      asks.push({ confirm: "fire-dropped", question: "Fire dropped, grate clear?", step: "blow-down", now: true });
    }
    if (this.done.has("house")) asks.push({ say: "disposal-end", question: "Housed, and the disposal at its end?", step: "house", now: true });
    const rests = this.rests;
    return {
      engine: this.plan.engine, at: iso(this.t), lay_up: "dry",
      phase: this.plan.fault === "resting" ? "laid-up" : this.plan.fault === "lighting" ? "lighting-up" : this.done.has("house") ? "housed" : this.done.has("blow-down") ? "cooling" : "in-steam",
      ...(rests ? {} : { disposal: { id: "d1", begun: iso(this.plan.begun), ...(this.ended === null ? {} : { ended: iso(this.ended) }) } }),
      channels: Object.fromEntries(Object.keys(units).flatMap((c) => { const r = this.reading(c); return r ? [[c, r]] : []; })),
      steps, front: rests ? "" : front, asks: rests ? [] : asks, forecasts: [],
      alarms: this.alarms(), findings: this.made.findings, bearing: borne(this.plan.fault === "troubled" ? 7 : this.plan.fault === "flooded" ? this.made.alarms.length : 0),
      rest: this.plan.fault === "resting" ? resting(this.t, this.repairs, this.wanted) : rests ? { ...working(this.repairs), reminders: resting(this.t, this.repairs, this.wanted).reminders.filter((r) => r.before) } : working(this.repairs),
      confirmations: [...this.given.values()],
    };
  }

  private alarms(): Alarm[] {
    const p = this.told("boiler.pressure") ?? 0;
    const all = p < -10_000
      ? [...this.made.alarms, alarm(this.plan.engine, "vacuum", { t: iso(this.vacuumSince()), state: "unacknowledged", text: `${(p / bar).toFixed(2)} bar in the boiler` })]
      : this.made.alarms;
    return all.flatMap((a) => {
      const h = this.handled.get(a.watch);
      return h === null ? [] : [{ ...a, ...h }];
    });
  }

  /** What a person does about an alarm; false where there is none of that id. */
  handle(id: string, what: string, body: Record<string, unknown>): boolean {
    const a = this.alarms().find((x) => x.id === id);
    if (!a) return false;
    const by = String(body["by"] ?? "");
    switch (what) {
      case "acknowledge":
        this.handled.set(a.watch, a.state === "unacknowledged" ? { state: "acknowledged", t: iso(this.t), by } : null);
        return true;
      case "shelve":
        this.handled.set(a.watch, { state: "shelved", t: iso(this.t), by, text: String(body["why"]), until: iso(this.t + Number(body["minutes"]) * minute) });
        return true;
      default:
        this.handled.set(a.watch, { state: "unacknowledged", t: iso(this.t) });
        return true;
    }
  }

  /** What a person says of a rest; false where it is another word. */
  hear(word: Record<string, unknown>): boolean {
    const repair = word["repair"];
    if (typeof repair === "string") this.repairs = word["done"] === true ? this.repairs.filter((r) => r !== repair) : [...this.repairs, repair];
    else if (typeof word["wanted"] === "string") this.wanted = word["wanted"] === "unknown" ? undefined : word["wanted"];
    else return word["looked_into"] === true;
    return true;
  }

  private vacuumSince(): number {
    const all = this.samples.get("boiler.pressure") ?? [];
    return all.find((s) => s.v !== null && s.v < -10_000)?.t ?? this.t;
  }

  end(): void {
    this.ended = this.t;
  }
}

export const iso = (t: number): string => new Date(t).toISOString();
