/**
 * The texts of the engineer's view that tell an engine's record: trends, sensors, its
 * book, a rerun of an evening and its papers. A finding comes first, then how sure it is.
 */
import type { Sensor } from "../state/sensors.ts";
import type { TrendFinding, Verdict } from "../state/wire.ts";
import { words } from "./en.ts";
import type { Units } from "../state/own.ts";
import { lasting } from "./clock.ts";
import * as write from "./units.ts";

const many = (n: number, one: string, more = `${one}s`): string => `${n} ${n === 1 ? one : more}`;
const evenings = (n: number): string => many(n, "evening");

/** Digits after the point of a trend's figure, by its unit; those of the daemon's own sentences. */
const digitsOf: Record<string, number> = { "": 2, "per hour": 3, "h": 1, "K/h": 1, "s": 0 };

const signs = (s: string): string => (/^-0(\.0*)?$/.test(s) ? s.slice(1) : s.replace("-", "\u2212"));

/** "0.155" or "\u221232": a figure of a trend, without its unit. */
export const figure = (v: number, unit: string): string => signs(v.toFixed(digitsOf[unit] ?? 2));
/** "+0.023": the same as a change. */
export const change = (v: number, unit: string): string => {
  const s = figure(v, unit);
  return v > 0 && Number(s) !== 0 ? `+${s}` : s;
};
export const withUnit = (s: string, unit: string): string => (unit === "" ? s : `${s} ${unit}`);

export const yearsWords = {
  noAnswer: "The shed did not answer. This comes by itself once it is heard again.",
  brokeOff: "The answer broke off before its end; what came of it is not shown. Try again.",
  unknownTrouble: "The answer could not be read; the shed and this page may be of different versions. Load the page again.",
  again: "try again",
  asOf: (t: string): string => `As known at ${t}.`,

  trends: {
    waiting: "Looking over the evenings.",
    failed: (why: string): string => `The trends could not be fetched. ${why}`,
    none: (engine: string): string => `${engine}: no evening drawn up yet.`,
    noneWaits: "A trend waits for disposals that were watched to their end. A change is looked for from the tenth evening on, and a step needs four evenings to either side.",
    few: (engine: string, n: number): string => `${engine}: ${evenings(n)} so far, too few to tell a change from weather.`,
    fewWaits: (n: number): string => `A change is looked for once a figure is known of ten evenings: ${n} more at least. Each figure as it is so far stands below.`,
    quiet: (engine: string, n: number): string => `${engine}: no step and no drift in ${evenings(n)}.`,
    quietWaits: "Looked for are steps and drifts larger than evenings differ by wind, rain and water. That none was found does not say that nothing changed.",
    found: (n: number): string => (n === 1 ? "One change was found. It says what became different, not why; nothing is proven by it." : `${n} changes were found, the newest first. Each says what became different, not why; nothing is proven by it.`),
    step: (f: TrendFinding): string =>
      `The step is ${withUnit(change(f.change, f.unit), f.unit)} (95 %: ${change(f.lo, f.unit)} to ${change(f.hi, f.unit)}), from ${figure(f.before, f.unit)} to ${withUnit(figure(f.after, f.unit), f.unit)} as medians.`,
    drift: (f: TrendFinding): string =>
      `The drift is ${withUnit(change(f.change, f.unit), f.unit)} a year (95 %: ${change(f.lo, f.unit)} to ${change(f.hi, f.unit)}), from ${figure(f.before, f.unit)} to ${withUnit(figure(f.after, f.unit), f.unit)} along the line.`,
    chance: (p: number): string => `By chance alone so much comes with p ${p < 0.001 ? "under 0.001" : `= ${p.toFixed(3)}`}.`,
    restsStep: (after: number, before: number, from: string, to: string): string => `It rests on ${evenings(after)} from ${from} to ${to}, and on ${before} before.`,
    restsDrift: (n: number, from: string, to: string): string => `It rests on ${evenings(n)} from ${from} to ${to}.`,
    series: "The figures by themselves",
    seriesHow: (percent: string): string => `All on one time, each about its own median (dashed), up and down to ${percent} of it where that has sense; so a slope is as steep in one as in another. A season\u2019s rest stays a gap.`,
    steady: (median: string, n: number, lo: string, hi: string): string => `${median} (median of ${n}; ${lo} to ${hi})`,
    single: (v: string): string => `${v}, on one evening`,
    sameAgain: "changed with the heat loss, above: the same again by another figure",
    changed: (n: number): string => (n === 1 ? "1 change, above" : `${n} changes, above`),
    noChange: "no step, no drift",
    wants: (n: number): string => (n === 0 ? "known of no evening" : `known of ${evenings(n)}`),
    beyond: (n: number): string => `${evenings(n)} beyond the drawing`,
    figures: (n: number): string => (n === 1 ? "the figure" : `the ${n} figures`),
    evening: "Evening",
    before: "before",
    after: "after",
    line: "the line",
    interval: "95 % of the change",
    drawing: (title: string, unit: string, n: number, from: string, to: string): string =>
      `${title}${unit ? `, ${unit}` : ""}: ${evenings(n)} from ${from} to ${to}. The figures stand in the list below the drawing.`,
    /** What must be seen of an evening before the figure is known, by quantity. */
    waitsFor: {
      "heat-loss-with-pressure": "waits for evenings that cool with the boiler shut, both above and below half the working pressure",
      "heat-loss": "waits for evenings on which the boiler stands shut and cools, fire out and cocks shut, long enough for a line",
      "shell-time-constant": "waits for evenings on which the emptied shell cools",
      "fall-at-100k": "waits for evenings on which the shut boiler cools through 100 K above the air",
      "firebox-time-constant": "waits for evenings on which the firebox cools after the fire is out",
      "pressure-lag": "waits for evenings on which pressure and shell fall together under steam",
      "tank-drain": "waits for evenings on which the tanks are seen to drain",
    } as Record<string, string>,
    waitsForOther: "waits for evenings on which it can be measured",
  },

  sensors: {
    quiet: (engine: string, n: number): string => `${engine}: nothing was found against its ${many(n, "channel")}.`,
    silent: (engine: string, n: number, of: number): string => `${engine}: ${n === of ? (of === 1 ? "the one channel gives" : `all ${of} channels give`) : `${n} of ${of} channels ${n === 1 ? "gives" : "give"}`} no reading that counts now.`,
    found: (engine: string, n: number, of: number): string => `${engine}: ${n} of ${many(of, "channel")} ${n === 1 ? "is" : "are"} in doubt.`,
    nodes: (engine: string): string => `${engine}: a whole node is in doubt.`,
    none: (engine: string): string => `${engine}: no channel is named, and none was heard.`,
    noneWaits: "It waits for sensors: name them under \u201cSetting up\u201d, or let a node send. Until then every step that needs one cannot be told.",
    lost: (engine: string, age: string): string => `${engine}: nothing heard for ${age}.`,
    never: (engine: string): string => `${engine}: nothing heard yet.`,
    lostHow: (t: string): string => `Readings below are those of ${t}, and none is current. Go by the gauge and the glass.`,
    neverHow: "Readings come once the shed is heard; trying again every 2 s.",
    quietHow: "Gauge, glass and try cock still come first. A sensor is fixed to one spot; each figure has its expanded uncertainty (coverage factor 2) beside it.",
    foundHow: "What rests on a doubtful channel cannot be told. What was found stands under each, with what to look at.",
    then: (text: string): string => `When last heard: ${text}`,
    since: (text: string, t: string): string => `${text} Since ${t}.`,
    head: { sensor: "Channel", reads: "Reads", spread: "Uncertain by", age: "Age", quality: "Quality", calibrated: "Last calibration" },
    groups: { engine: "On the engine", shed: "In the shed\u2019s air, for all engines" },
    nodeNames: { engine: "The engine\u2019s node", shed: "The shed\u2019s node" } as Record<string, string>,
    noReading: "no reading",
    neverHeard: "never heard",
    wasReading: (v: string): string => `was ${v}`,
    age: (age: string, limit: string): string => `${age}, may be ${limit}`,
    tooOld: (age: string, limit: string): string => `${age}, over the ${limit} it may be`,
    quality: { good: "good", uncertain: "uncertain", bad: "bad" } as Record<string, string>,
    qualityWhy: (q: string, why: string): string => (why ? `${q}: ${why}` : q),
    calibrated: (t: string, by: string, reference: string): string => [t, by ? `by ${by}` : "", reference ? `beside ${reference}` : ""].filter(Boolean).join(" "),
    notCalibrated: "none kept",
    calibrationUnknown: "not known",
    calibrationWaits: "being fetched",
    calibrationFailed: (why: string): string => `When each was last calibrated is not known. ${why}`,
    name: (channel: string): string => names[channel] ?? channel,
  },

  book: {
    waiting: "Opening the book.",
    failed: (why: string): string => `The book could not be read. ${why}`,
    title: (engine: string): string => `The book of ${engine}.`,
    empty: (engine: string): string => `The book of ${engine} is empty.`,
    emptyWaits: "It waits for the first verdict, word or alarm. What is written once is only ever added to.",
    show: "Show",
    filters: { all: "all", people: "what people said", verdicts: "verdicts", alarms: "alarms", phases: "phases and disposals" },
    counted: (n: number, of: number): string => (n === of ? `${many(of, "entry", "entries")} fetched` : `${n} of the ${many(of, "entry", "entries")} fetched`),
    noneOfKind: "Of the entries fetched so far, none is of this kind.",
    earlier: "earlier entries",
    earlierComing: "Turning back.",
    first: "The book begins here.",
    look: "look again",
    entry: (n: number): string => `entry ${n}`,
    by: (who: string): string => who,
    noOne: "the lamp itself",
    record: "A record of what was known then, not proof that the work was rightly done.",

    verdict: (step: string, verdict: string): string => `${step}: ${verdict}.`,
    said: (what: string): string => `Said: ${what}.`,
    takenBack: (what: string): string => `Taken back: ${what}.`,
    lapsed: (what: string, why: string): string => `No longer stands: ${what}. ${why}`,
    saidBy: (who: string): string => `Said by ${who}.`,
    phase: (name: string): string => `Phase: ${name}.`,
    phases: {
      "in-steam": "in steam", "fire-dropped": "fire dropped", "blowing-down": "blowing down", "emptied": "emptied", "cooling": "cooling",
      "housed": "housed", "laid-up": "laid up", "lighting-up": "lighting up",
    } as Record<string, string>,
    begun: "The disposal begins.",
    ended: "The disposal ends.",
    why: {
      "said": "As a person said.",
      "found": "As the firebox\u2019s fall was seen.",
      "superseded": "Another began while it was open.",
      "fire lit": "A fire was said to be lit.",
    } as Record<string, string>,
    alarm: (title: string, state: string): string => `${title}: ${state}.`,
    alarmState: {
      "normal": "over", "unacknowledged": "raised", "acknowledged": "seen", "returned-unacknowledged": "over by itself, nobody saw it",
      "shelved": "shelved", "suppressed": "out of the way", "out-of-service": "out of service",
    } as Record<string, string>,
    events: {
      "disposal-begun": () => "Said: the disposal begins.",
      "disposal-ended": () => "Said: the engine is housed.",
      "fire-lit": () => "Said: a fire is lit.",
      "node-put-away": (s) => `Put away on purpose: the node ${s}.`,
      "node-back": (s) => `In use again: the node ${s}.`,
      "alarm-acknowledged": (s) => `Seen: ${s}.`,
      "alarm-shelved": (s) => `Shelved: ${s}.`,
      "alarm-unshelved": (s) => `Taken up again: ${s}.`,
      "repair-booked": (s) => `Booked for repair: ${s}.`,
      "repair-done": (s) => `Repair done: ${s}.`,
      "next-wanted": (s) => (s ? `Next wanted: ${s}.` : "Next wanted: nobody knows."),
      "looked-into": () => "Looked into, or its water tested.",
    } as Record<string, (subject: string) => string>,

    chain: {
      asking: "Whether it is as it was written: being asked.",
      failed: (why: string): string => `Whether it is as it was written could not be asked. ${why}`,
      whole: (engine: string, n: string, from: string, to: string): string => `The book of ${engine} is whole: ${n} entries, ${from} to ${to}.`,
      wholeNone: (engine: string): string => `The book of ${engine} is whole, and empty.`,
      brokenAt: (engine: string, n: number): string => `The book of ${engine} is broken at entry ${n}.`,
      brokenBefore: (engine: string): string => `The book of ${engine} is broken before its first entry.`,
      notKnown: (engine: string): string => `The book of ${engine}: not known yet whether it is whole.`,
      fault: {
        "changed": "That entry is not as it was written.",
        "missing": "That entry is no longer there.",
        "out of order": "That entry was written as another number.",
        "put in": "That entry was not there when those after it were written.",
        "chain head": "The end is not the one that was kept.",
      } as Record<string, string>,
      stands: (n: string): string => `The ${n} entries before it are as they were written.`,
      proved: (t: string): string => `Gone through ${t}.`,
      running: (percent: number): string => `Being gone through: ${percent} %.`,
      mark: "Mark of its end, to be compared with a printed report:",
      here: "broken here",
    },
  },

  whatIf: {
    title: "What if the limits had been others?",
    how: "That evening is judged once more from its samples and from what people said, by limits that you choose. It is a reckoning: nothing that is kept, shown or in force is changed by it.",
    open: "choose limits",
    close: "put away",
    waiting: "Fetching the limits.",
    failed: (why: string): string => `The limits could not be fetched. ${why}`,
    add: "Limit to move",
    addHow: "choose one",
    none: "No limit is moved yet. Without one the evening is judged by those in force, which shows whether the book can be reckoned again.",
    alarmsOnly: "Limits that only alarms compare with are not offered: they move no verdict.",
    inForce: (v: string, unit: string): string => `in force ${v} ${unit}`,
    notInForce: "none in force",
    byDefault: (v: string, unit: string): string => `by default ${v} ${unit}`,
    byDefaultNone: "no default: the owner\u2019s to set",
    range: (lo: string, hi: string, unit: string): string => `takes ${lo} to ${hi} ${unit}`,
    source: (s: string): string => `Source: ${s}.`,
    ofSteps: (names: string): string => `Compared in: ${names}.`,
    takeAway: "leave as it is",
    takeAwayWhich: (what: string): string => `leave as it is: ${what}`,
    notANumber: "Write a number.",
    outside: (lo: string, hi: string, unit: string): string => `Outside ${lo} to ${hi} ${unit}.`,
    run: "judge it again",
    running: (percent: number): string => `Judged again: ${percent} %`,
    begins: "Beginning.",
    cancel: "stop it",
    cancelled: "Stopped; nothing came of it.",
    trouble: (why: string): string => `It could not be judged again. ${why}`,
    linkGone: "Nothing is heard from the shed; this waits for it.",
    was: "was",
    now: "would be",
    moves: "Limits moved",
    moved: (title: string, was: string, now: string, unit: string): string => `${title}: ${now} ${unit} in place of ${was}`,
    noValue: "none",
    notMoved: "none, all as they are in force",
    faithful: "By the limits in force the same reckoning gives what the book has, so what differs comes of the moved limits.",
    unfaithful: "By the limits in force the reckoning does not give what the book has: limits, sensors or rules were others then. What differs is not by the moved limits alone.",
    unfaithfulStep: "Not as the book has it even by the limits in force.",
    unmoved: (t: string): string => `First proven ${t}, and would be so too.`,
    otherwise: (t: string): string => `First proven ${t} either way; otherwise later on.`,
    later: (was: string, now: string, by: string): string => `First proven ${was}; would be ${now}, ${by} later.`,
    earlier: (was: string, now: string, by: string): string => `First proven ${was}; would be ${now}, ${by} earlier.`,
    onlyNow: (t: string): string => `Never proven; would be ${t}.`,
    onlyWas: (t: string): string => `First proven ${t}; would never be.`,
    neverSame: "Never proven, and would not be.",
    neverMoved: "Never proven, and would not be; otherwise in between.",
    lanes: "Each step twice: above as it was judged, below as it would be",
    lane: (step: string, what: string): string => `${step}. ${what}`,
    warning: "What people would have done by other verdicts cannot be reckoned: they act here as they did.",
    key: { "proven": "proven", "not-yet": "not yet", "cannot-tell": "cannot tell" },
    notJudged: "not judged",
  },

  papers: {
    title: "Papers of this evening",
    open: "It is not ended yet: the papers tell it as far as it has come.",
    name: {
      "report.pdf": "the record, PDF",
      "samples.csv": "all samples, CSV",
      "samples.senml.json": "all samples, SenML",
    },
    what: {
      "report.pdf": "What was proven and what was not, with times and names, to be printed.",
      "samples.csv": "A row a sample, for a spreadsheet: time, channel, value, unit, quality.",
      "samples.senml.json": "The same for other programs, as RFC 8428 has it.",
    },
    fetch: (what: string): string => `fetch ${what}`,
    fetching: "being fetched",
    begins: "Asked for.",
    coming: (size: string): string => `${size} so far`,
    comingOf: (size: string, of: string, percent: number): string => `${size} of ${of}, ${percent} %`,
    comingRows: (rows: string, of: string, percent: number): string => `${rows} of ${of} rows, ${percent} %`,
    stop: "stop it",
    stopWhich: (what: string): string => `stop it: ${what}`,
    stopped: "Stopped; nothing was kept.",
    here: (name: string, size: string): string => `Handed to this device as ${name}, ${size}.`,
    hereRows: (name: string, rows: string, size: string): string => `Handed to this device as ${name}: ${rows} rows, ${size}.`,
    failed: (why: string): string => `It did not come. ${why}`,
    file: (engine: string, id: string, paper: string): string => `${engine}-${id}-${paper}`,
  },
};

/** "1\u00a0204" */
export const counted = (n: number): string => String(n).replace(/\B(?=(\d{3})+$)/g, "\u00a0");

/** "3.4 MB" */
export function sized(bytes: number): string {
  if (bytes < 1000) return `${bytes} B`;
  if (bytes < 1e6) return `${(bytes / 1e3).toFixed(bytes < 1e4 ? 1 : 0)} kB`;
  return `${(bytes / 1e6).toFixed(1)} MB`;
}

/** What a channel is called; one of another name keeps its id. */
const names: Record<string, string> = {
  "boiler.pressure": "Boiler pressure",
  "boiler.shell.top": "Top of the shell",
  "boiler.shell.bottom": "Bottom of the shell",
  "boiler.level": "Gauge glass",
  "boiler.humidity": "Air in the barrel",
  "blowdown.pipe": "Blow-down pipe",
  "firebox": "Firebox",
  "smokebox": "Smokebox",
  "tank.left.level": "Left tank",
  "tank.right.level": "Right tank",
  "ambient.temperature": "Air temperature",
  "ambient.humidity": "Air humidity",
  "ambient.pressure": "Barometer",
  "ambient.co": "Carbon monoxide",
};

/** A reading and its uncertainty in the person's units, with the unit's name. */
export interface Told {
  readonly value: string;
  readonly spread: string;
  readonly unit: string;
}

/** How a figure of a channel is written; the barometer in hPa, a ratio in parts of a hundred or a million. */
export function reading(channel: string, unit: string, value: number, uncertainty: number, u: Units): Told {
  const told = (v: number, s: number, digits: number, name: string): Told => ({
    value: signs(v.toFixed(digits)),
    spread: Number.isFinite(s) && s > 0 ? `\u00b1 ${signs(s.toFixed(digits))}` : "",
    unit: name,
  });
  if (channel === "ambient.pressure") return told(value / 100, uncertainty / 100, 1, "hPa");
  switch (unit) {
    case "Pa":
      return { value: write.pressure(value, u), spread: uncertainty > 0 ? `\u00b1 ${write.pressure(uncertainty, u)}` : "", unit: write.pressureName(u) };
    case "Cel": {
      const f = u.temperature === "F";
      return { value: write.temperature(value, u, 1), spread: uncertainty > 0 ? `\u00b1 ${((f ? 1.8 : 1) * uncertainty).toFixed(1)}` : "", unit: write.temperatureName(u) };
    }
    case "%RH":
      return told(value, uncertainty, 0, "%RH");
    case "/":
      return channel === "ambient.co" ? told(value * 1e6, uncertainty * 1e6, 0, "ppm") : told(value * 100, uncertainty * 100, 1, "%");
    default:
      return { value: signs(String(Number(value.toPrecision(5)))), spread: uncertainty > 0 ? `\u00b1 ${Number(uncertainty.toPrecision(2))}` : "", unit };
  }
}

/** "85 s, over the 60 s it may be": how old a reading is, beside how old it may be. */
export function ageOf(s: Pick<Sensor, "age" | "reading">): string {
  if (!s.reading || !Number.isFinite(s.age)) return "";
  const limit = lasting(s.reading.fresh_s);
  const w = yearsWords.sensors;
  return s.age > s.reading.fresh_s || s.reading.stale ? w.tooOld(lasting(s.age), limit) : w.age(lasting(s.age), limit);
}

export const verdictWord = (v: string): string => words.verdict[v as Verdict] ?? v;
