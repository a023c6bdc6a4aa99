import { readFileSync } from "node:fs";
import { describe, expect, it, test } from "vitest";
import type { Setup, SetupChannel, SetupEngine } from "../link/setup.ts";
import { setUpWords } from "../words/setup.ts";
import { airAt, boilsAt } from "./boiling.ts";
import { draftOf, withTyped, without, withoutSent } from "./draft.ts";
import { hostPort, isLoopback } from "./address.ts";
import { fieldOf, goodId, idOf } from "./field.ts";
import { missing, stageOfDraft } from "./missing.ts";
import { average, hear, listenS, longestS, pointsOf, shortestS, type Heard } from "./point.ts";
import { entry, figure, numberOf, scaleOf } from "./scale.ts";
import { commentAt } from "./toml.ts";

const bar = { pressure: "bar", temperature: "C" } as const;
const psi = { pressure: "psi", temperature: "F" } as const;

describe("what was typed", () => {
  it("is kept while it says something new, and is none once it says what is written", () => {
    const d = withTyped({}, "shed.name", "Fernhollow", "");
    expect(d).toEqual({ "shed.name": "Fernhollow" });
    expect(withTyped(d, "shed.name", "", "")).toEqual({});
    expect(withTyped(d, "shed.name", "Fernhollow", "")).toBe(d);
  });
  it("is an empty text too, where something is written", () => expect(withTyped({}, "shed.name", "", "Old")).toEqual({ "shed.name": "" }));
  it("goes with its part alone", () => expect(without({ "shed.name": "a", "engine.x.name": "b" }, "shed.")).toEqual({ "engine.x.name": "b" }));
  it("stays where it was typed on while the rest was sent", () => expect(withoutSent({ a: "1", b: "22" }, { a: "1", b: "2" })).toEqual({ b: "22" }));
  it.each([null, "", "no JSON", "[1]", "null", "7"])("is nothing where %j was kept", (kept) => expect(draftOf(kept)).toEqual({}));
  it("is texts alone", () => expect(draftOf('{"a":"x","b":7}')).toEqual({ a: "x" }));
});

describe("a number that was typed", () => {
  it.each([
    ["120", 120], ["12,5", 12.5], ["\u22120.5", -0.5], [" 7 ", 7], [".5", 0.5], ["", null], ["  ", null],
    ["1 200", NaN], ["1e3", NaN], ["12bar", NaN], ["0x10", NaN], ["NaN", NaN], ["Infinity", NaN], ["-", NaN], [".", NaN],
  ])("%j is %s", (text, want) => expect(numberOf(text)).toEqual(want));
});

describe("a channel's figure", () => {
  it("is told in the person's units and comes back as it was", () => {
    for (const [id, unit, v] of [["boiler.pressure", "Pa", 512_000], ["ambient.pressure", "Pa", 99_870], ["firebox", "Cel", 342], ["boiler.level", "/", 0.62], ["ambient.co", "/", 2e-5], ["x.y", "m/s", 3]] as const) {
      for (const own of [bar, psi]) {
        const s = scaleOf(id, unit, own);
        expect(s.meant(s.shown(v))).toBeCloseTo(v, 9);
        expect(s.meantSpread(s.shownSpread(v))).toBeCloseTo(v, 9);
      }
    }
  });
  it("has the names and sizes that people use", () => {
    expect(scaleOf("boiler.pressure", "Pa", bar).shown(512_000)).toBeCloseTo(5.12);
    expect(scaleOf("boiler.pressure", "Pa", bar).meant(16)).toBe(1_600_000);
    expect(scaleOf("boiler.pressure", "Pa", bar).meant(-1)).toBe(-100_000);
    expect(scaleOf("boiler.pressure", "Pa", bar).meant(NaN)).toBeNaN();
    expect(scaleOf("boiler.pressure", "Pa", psi).shown(689_475.7)).toBeCloseTo(100, 6);
    expect(scaleOf("ambient.pressure", "Pa", psi).name).toBe("hPa");
    expect(scaleOf("firebox", "Cel", psi).shown(100)).toBe(212);
    expect(scaleOf("firebox", "Cel", psi).shownSpread(100)).toBe(180);
    expect(scaleOf("ambient.co", "/", bar).shown(2e-5)).toBeCloseTo(20);
  });
  it("is no figure where there is no number", () => {
    expect(figure(NaN, 2)).toBe("");
    expect(figure(Infinity, 2)).toBe("");
    expect(figure(-0.001, 2)).toBe("0.00");
    expect(figure(-0.5, 2)).toBe("\u22120.50");
    expect(entry(null)).toBe("");
    expect(entry(NaN)).toBe("");
  });
});

describe("where water boils", () => {
  // IAPWS R7-97(2012), table 36.
  it.each([[0.1e6, 372.755919], [1e6, 453.035632], [10e6, 584.149488]])("under %s Pa", (pa, k) => expect(boilsAt(pa)).toBeCloseTo(k - 273.15, 6));
  it.each([NaN, 0, 611, 22.1e6])("is not known under %s Pa", (pa) => expect(boilsAt(pa)).toBeNaN());
  // ISO 2533:1975, table of the standard atmosphere, from memory: 89 875 Pa at 1000 m.
  it("is lower higher up", () => {
    expect(airAt(0)).toBe(101_325);
    expect(airAt(1000)).toBeCloseTo(89_875, -1);
    expect(airAt(11_001)).toBeNaN();
    expect(airAt(NaN)).toBeNaN();
    expect(boilsAt(airAt(1000))).toBeLessThan(boilsAt(airAt(0)) - 3);
  });
});

describe("a point of a calibration", () => {
  const at = (n: number, f: (i: number) => number): Heard[] => Array.from({ length: n }, (_, i) => ({ at: 1000 + i * 1000, value: f(i), why: "" }));
  it("is the mean of what was heard, with its scatter", () => {
    const a = average(at(5, (i) => 10 + (i - 2)));
    expect(a).toMatchObject({ ok: true, mean: 10, count: 5 });
    expect(a.ok && a.scatter).toBeCloseTo(Math.sqrt(10 / 4));
  });
  it("is refused with too few readings", () => expect(average(at(3, () => 1))).toEqual({ ok: false, why: "few", count: 3 }));
  it("is refused with none", () => expect(average([])).toEqual({ ok: false, why: "few", count: 0 }));
  it("is refused where one reading is no number", () => expect(average(at(8, (i) => (i === 4 ? NaN : 1)))).toMatchObject({ ok: false, why: "bad" }));
  it("is refused where one reading is not good, with its reason", () => {
    expect(average([...at(8, () => 1), { at: 99_000, value: 1, why: "open circuit" }])).toEqual({ ok: false, why: "bad", count: 9, reason: "open circuit" });
  });
  it("counts a sample once, and none from before it was begun", () => {
    const h = { at: 5000, value: 1, why: "" };
    expect(hear(hear([], h, 4000), h, 4000)).toHaveLength(1);
    expect(hear([], h, 5001)).toEqual([]);
  });
  it("listens longer to a slow sensor, and not for ever", () => {
    expect(listenS(0)).toBe(shortestS);
    expect(listenS(NaN)).toBe(shortestS);
    expect(listenS(5)).toBe(25);
    expect(listenS(900)).toBe(longestS);
  });
  it("is read back as it was kept, and nothing else is", () => {
    const p = { reading: 1, scatter: 0, count: 4, reference: 1, uncertainty: 0.1, at: 9 };
    expect(pointsOf(JSON.stringify([p, { reading: 1 }, null, "x"]))).toEqual([p]);
    for (const kept of ["", "{}", "x", "null"]) expect(pointsOf(kept)).toEqual([]);
  });
});

describe("the field that a complaint speaks of", () => {
  const keys = ["id", "timezone", "altitude_m", "people"];
  it.each([
    ['shed.id = "A b" has other characters than a-z, 0-9 and -', "id"],
    ['timezone = "Mars" is not known; write an IANA name', "timezone"],
    ["altitude_m = 20000: altitude is outside", "altitude_m"],
    ["there is something amid the rest", null],
    ["", null],
  ])("%j", (text, want) => expect(fieldOf(text, keys)).toBe(want));
  it("is the one named first", () => expect(fieldOf("timezone is wrong; id too", keys)).toBe("timezone"));
});

test("an id is proposed from a name", () => {
  expect(idOf("No. 22 Quillet")).toBe("no-22-quillet");
  expect(idOf("Ch\u00e2teau \u2013 shed")).toBe("chateau-shed");
  expect(idOf("\u2013")).toBe("");
  expect(goodId("a-1")).toBe(true);
  for (const bad of ["", "A", "a b", "a.b", "\u00e9"]) expect(goodId(bad), bad).toBe(false);
});

test("an address is host and port", () => {
  expect(hostPort("127.0.0.1:8080")).toEqual({ host: "127.0.0.1", port: "8080" });
  expect(hostPort("[::1]:1883")).toEqual({ host: "::1", port: "1883" });
  expect(hostPort(":1883")).toEqual({ host: "", port: "1883" });
  for (const h of ["127.0.0.1", "127.1.2.3", "::1", "localhost"]) expect(isLoopback(h), h).toBe(true);
  for (const h of ["", "0.0.0.0", "192.168.1.2", "127.example"]) expect(isLoopback(h), h).toBe(false);
});

test("a comment is told from a # within quotes", () => {
  expect(commentAt("id = 1 # why")).toBe(7);
  expect(commentAt('name = "no # 7"  # why')).toBe(17);
  expect(commentAt('name = "a \\" # b"')).toBe(17);
  expect(commentAt("name = 'a\\' # b")).toBe(12);
  expect(commentAt("")).toBe(0);
});

describe("what is missing", () => {
  const pressure: SetupChannel = {
    id: "boiler.pressure", unit: "Pa", uncertainty: 6000, low: null, high: null, absolute: false, interval_s: 0, source: "contract", calibratable: true,
    reading: { value: 0, unit: "Pa", quality: "good", at: "2031-05-04T17:00:00Z", age_s: 1, stale: false, fresh_s: 15, uncertainty: 6000 },
  };
  const engine: SetupEngine = {
    id: "quillet", name: "Quillet", working_pressure_bar: 10, boiler_volume_l: 400, tanks: 2, blow_down_pipe: true, lay_up: "dry", emptied_by: "cold",
    limits: { blow_down_min_bar: 0.5 }, defaults: {}, by_word: {}, channels: [pressure], wants: [{ channel: "firebox", steps: ["blow-down", "reach-in"] }],
  };
  const whole: Setup = {
    file: { path: "shed.toml", exists: true, hash: "1", text: "", missing: [], changed: false, wrong: [] },
    daemon: { state: "running", now: "2031-05-04T17:00:01Z" },
    shed: { id: "fernhollow", name: "Fernhollow", timezone: "UTC", altitude_m: 120, skew_s: 5, people: ["R. Penhalow"] },
    doors: { page: "127.0.0.1:8080", listen: "127.0.0.1:1883", addresses: [] },
    channels: [], engines: [], nodes: [], refused: [], buses: [], troubles: [], known: [], evidence: [], faults: [],
    limits: [{ key: "blow_down_min_bar", unit: "bar", min: 0, max: 40, meaning: "", source: "", owner: true }],
  };
  const texts = (s: Setup, d = {}): string[] => missing(s, d).map((m) => `${m.stage} ${m.weight}`);

  it("is nothing on a whole shed", () => {
    const k = { at: "2031-05-04T16:00:00Z", by: "R. Penhalow", zero: 0, gain: 1, points: [], uncertainty_low: 1, uncertainty_high: 1, uncertainty_zero: 1 };
    expect(missing({ ...whole, engines: [{ ...engine, wants: [], channels: [{ ...pressure, calibration: k }] }] }, {})).toEqual([]);
  });
  it("is what the daemon cannot run without, first, and at its stage", () => {
    const s = { ...whole, shed: { ...whole.shed, id: "", people: [] }, file: { ...whole.file, exists: false, missing: [{ line: 1, text: "there is no engine; add one" }, { line: 1, text: "shed.id is missing; give a short id" }] } };
    expect(texts(s)).toEqual(["shed run", "engine run"]);
    expect(missing(s, {})[0]?.text).toBe("The shed has no name and no id yet.");
  });
  it("names each channel with the steps that want it, in words", () => {
    const all = missing({ ...whole, engines: [engine] }, {});
    expect(all.find((m) => m.weight === "tell")?.text).toBe("Quillet: firebox is not measured. Without it: blow down and reach in.");
    expect(all.map((m) => m.stage)).toEqual(["heard", "gauge"]);
  });
  it("has a channel that was never heard, and not one that was", () => {
    const { reading: _, ...silent } = pressure;
    const of = (c: SetupChannel): string[] => missing({ ...whole, engines: [{ ...engine, wants: [], channels: [c] }] }, {}).filter((m) => m.stage === "heard").map((m) => m.text);
    expect(of(silent as SetupChannel)).toEqual(["Quillet: boiler pressure is in the file, and was not heard since the daemon was started."]);
    expect(of(pressure)).toEqual([]);
  });
  it("has the owner's limits until they are set", () => {
    expect(missing({ ...whole, engines: [{ ...engine, limits: {} }] }, {}).filter((m) => m.stage === "limits").map((m) => m.text)).toEqual(["Quillet: the owner has not set blow_down_min_bar."]);
  });
  it("has what is typed and not written, at the stage of its form", () => {
    expect(texts(whole, { "new.name": "Marrow", "by": "R. Penhalow", "beside.x.gauge": "5" })).toEqual(["engine typed"]);
    expect(stageOfDraft("channel.quillet/firebox.low")).toBe("heard");
  });
  it("has that nobody is named", () => expect(texts({ ...whole, shed: { ...whole.shed, people: [] } })).toEqual(["shed see"]));
});

test("the cautions of first use are those of the rules", () => {
  const go = readFileSync(new URL("../../../../rules/caution/caution.go", import.meta.url), "utf8");
  const body = /func FirstUse\(\) \[\]string \{\n\treturn \[\]string\{([\s\S]*?)\n\t\}/.exec(go)?.[1] ?? "";
  const always = /const Always = "([^"]*)"/.exec(go)?.[1] ?? "";
  const theirs = body.split("\n").map((l) => l.trim().replace(/,$/, "")).filter(Boolean).map((l) => (l === "Always" ? always : l.replace(/^"|"$/g, "")));
  expect(theirs.length).toBeGreaterThan(3);
  expect(setUpWords.firstUse).toEqual(theirs);
});

test("no word is said that no page may say", () => {
  const texts: string[] = [];
  const walk = (x: unknown): void => {
    if (typeof x === "string") texts.push(x);
    else if (typeof x === "function") texts.push(String(x));
    else if (typeof x === "object" && x !== null) Object.values(x).forEach(walk);
  };
  walk(setUpWords);
  expect(texts.length).toBeGreaterThan(150);
  for (const t of texts) expect(t).not.toMatch(/\b(all clear|you may|guaranteed|certified|interlock)\b|\b(is|are) safe\b|\bsafely\b/i);
});
