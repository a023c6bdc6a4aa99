/** The fourth stage: each reading beside what a person reads; zero and span set from points. */
import { useEffect, useRef, useState } from "preact/hooks";
import { Press } from "../parts/Press.tsx";
import { Touch } from "../parts/Touch.tsx";
import { calibrate, channelsNow, deleteCalibration, NotWritten, type Setup, type SetupCalibrated, type SetupCalibration, type SetupChannel } from "../link/setup.ts";
import { pressureUnit, temperatureUnit } from "../state/own.ts";
import { clockSeconds, dayClock } from "../words/clock.ts";
import { setUpWords as words } from "../words/setup.ts";
import { draft, forget, standing, type as typed } from "./draft.ts";
import { TakeOut } from "./Engines.tsx";
import { Figure, judgedOf } from "./Figure.tsx";
import { by, daemonNow, fates, refuse, setup, unsay, write, zone } from "./kept.ts";
import { Text } from "./Part.tsx";
import { average, hear, listenS, pointsOf, type Heard, type Point } from "./point.ts";
import { figure, numberOf, scaleOf, type Scale } from "./scale.ts";

/** How often a reading is asked for while a point is taken. */
const askMs = 400;

const withName = (v: string, scale: Scale): string => (scale.name === "" ? v : `${v} ${scale.name}`);

/** Listens to a channel until the seconds are over; the function returned leaves off. */
function listen(engine: string, channel: string, seconds: number, told: (left: number, all: readonly Heard[]) => void, done: (all: readonly Heard[]) => void): () => void {
  let all: readonly Heard[] = [];
  let from: number | null = null;
  let left = false;
  const end = performance.now() + seconds * 1000;
  const ask = async (): Promise<void> => {
    try {
      const r = (await channelsNow(engine))[channel];
      if (r) {
        const at = Date.parse(r.at);
        // The newest sample at the beginning is from before; only those after it are of this point.
        if (from === null) from = at + 1;
        else all = hear(all, { at, value: r.value ?? NaN, why: r.quality === "good" ? "" : r.reason || r.quality }, from);
      }
    } catch {
      // Not heard just now: what is missing at the end is told then.
    }
    if (left) return;
    const rest = (end - performance.now()) / 1000;
    if (rest <= 0) return done(all);
    told(Math.max(1, Math.ceil(rest)), all);
    setTimeout(() => void ask(), askMs);
  };
  void ask();
  return () => {
    left = true;
  };
}

function Beside({ engine, c, scale }: { engine: string; c: SetupChannel; scale: Scale }) {
  const part = `beside.${engine}/${c.id.replace(/\./g, "_")}`;
  const name = `gauge:${scale.name.replace(/\W/g, "")}`;
  const now = judgedOf(c);
  const typedFigure = numberOf(standing(`${part}.${name}`, ""));
  const said = ((): string => {
    if (typedFigure === null) return words.gauge.readsHint;
    if (Number.isNaN(typedFigure)) return words.notNumber(words.gauge.reads);
    if (now.kind !== "full") return words.gauge.cannot;
    const by = now.value - scale.meant(typedFigure);
    return words.gauge.differs(withName(figure(scale.shownSpread(by), scale.digits), scale), Math.abs(by) <= now.uncertainty);
  })();
  return <Text part={part} name={name} label={words.gauge.reads} hint={said} unit={scale.name} decimal written="" />;
}

function Result({ k, scale, notes }: { k: SetupCalibration; scale: Scale; notes: readonly string[] }) {
  const f = (v: number): string => withName(figure(scale.shown(v), scale.digits + 1), scale);
  const u = (v: number): string => withName(figure(scale.shownSpread(v), scale.digits + 1), scale);
  const channel = k.points.map((p) => p.reference);
  return (
    <div class="result">
      <p>
        <strong>{words.gauge.result(u(k.zero), figure(k.gain, 4))}</strong>{" "}
        {words.gauge.line(f(Math.min(...channel)), u(k.uncertainty_low), f(Math.max(...channel)), u(k.uncertainty_high))}
        {k.uncertainty_zero !== null && words.gauge.lineZero(u(k.uncertainty_zero))}
        {words.gauge.coverage}
      </p>
      {notes.map((n) => (
        <p key={n}>{words.sentence(n)}</p>
      ))}
      <table class="points">
        <thead>
          <tr>
            <th scope="col">{words.gauge.col.gauge}</th>
            <th scope="col">{words.gauge.col.shown}</th>
            <th scope="col">{words.gauge.col.off}</th>
          </tr>
        </thead>
        <tbody>
          {k.points.map((p, i) => (
            <tr key={i}>
              <td>{f(p.reference)} ± {figure(scale.shownSpread(p.uncertainty), scale.digits + 1)}</td>
              <td>{f(p.value)}</td>
              <td>{u(p.residual)}</td>
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}

function Calibrating({ s, engine, c, scale }: { s: Setup; engine: string; c: SetupChannel; scale: Scale }) {
  const part = `points.${engine || "shed"}/${c.id.replace(/\./g, "_")}`;
  const unit = scale.name.replace(/\W/g, "");
  const gaugeKey = `figure:${unit}`;
  const uncertaintyKey = `uncertainty:${unit}`;
  const points = pointsOf(draft.value[`${part}.points`] ?? "");
  const [taking, setTaking] = useState<{ left: number; count: number } | null>(null);
  const [would, setWould] = useState<SetupCalibrated | null>(null);
  const [said, setSaid] = useState("");
  const stop = useRef<() => void>(() => undefined);
  useEffect(() => () => stop.current(), []);
  const fate = fates.value[part];
  const keep = (all: readonly Point[]): void => {
    typed(`${part}.points`, all.length === 0 ? "" : JSON.stringify(all));
    setWould(null);
    unsay(part);
  };
  // A channel of the shed is heard with any engine's.
  const through = engine || s.engines[0]?.id || "";

  const take = (): void => {
    setSaid("");
    const gauge = numberOf(standing(`${part}.${gaugeKey}`, ""));
    const u = numberOf(standing(`${part}.${uncertaintyKey}`, ""));
    if (gauge === null) return refuse(part, gaugeKey, words.empty(words.gauge.figure));
    if (Number.isNaN(gauge)) return refuse(part, gaugeKey, words.notNumber(words.gauge.figure));
    if (u === null) return refuse(part, uncertaintyKey, words.empty(words.gauge.figureU));
    if (Number.isNaN(u)) return refuse(part, uncertaintyKey, words.notNumber(words.gauge.figureU));
    if (!(u > 0)) return refuse(part, uncertaintyKey, words.gauge.noUncertainty);
    unsay(part);
    const seconds = listenS(c.interval_s);
    setTaking({ left: seconds, count: 0 });
    stop.current = listen(
      through,
      c.id,
      seconds,
      (left, all) => setTaking({ left, count: all.length }),
      (all) => {
        setTaking(null);
        const a = average(all);
        if (!a.ok) return setSaid(a.why === "few" ? words.gauge.few(a.count) : words.gauge.bad(a.reason));
        const p: Point = { reading: a.mean, scatter: a.scatter, count: a.count, reference: scale.meant(gauge), uncertainty: scale.meantSpread(u), at: daemonNow.value ?? Date.now() };
        // Two standard deviations, to be set beside the gauge's expanded uncertainty.
        if (2 * a.scatter > p.uncertainty) return setSaid(words.gauge.restless);
        keep([...pointsOf(draft.value[`${part}.points`] ?? ""), p]);
        typed(`${part}.${gaugeKey}`, "");
      },
    );
  };

  const posts = points.map((p) => ({ reading: p.reading, reference: p.reference, uncertainty: p.uncertainty, at: new Date(p.at).toISOString() }));
  const gaugeName = standing(`${part}.reference`, "").trim();
  const look = async (): Promise<void> => {
    const hash = setup.value?.file.hash;
    if (!hash) return;
    if (by.value === "") return setSaid(words.gauge.needsName);
    setSaid("");
    try {
      setWould(await calibrate({ hash, by: by.value }, engine, c.id, posts, gaugeName, true));
    } catch (err) {
      setSaid(err instanceof NotWritten ? err.message : words.noAnswer);
    }
  };
  const onKeep = (): void => {
    void write(part, "", [], (m) => calibrate(m, engine, c.id, posts, gaugeName, false), words.gauge.kept).then((done) => {
      if (!done) return;
      forget(`${part}.`);
      setWould(null);
    });
  };

  return (
    <div class="calibrating">
      <p>{c.unit === "Pa" && !c.id.startsWith("ambient.") ? words.gauge.how : words.gauge.howOther}</p>
      <div class="fields">
        <Text part={part} name="reference" label={words.gauge.gaugeIs} hint={words.gauge.gaugeIsHint} written="" />
        <Text part={part} name={gaugeKey} label={words.gauge.figure} unit={scale.name} decimal written="" />
        <Text part={part} name={uncertaintyKey} label={words.gauge.figureU} hint={words.gauge.figureUHint} unit={scale.name} decimal written="" />
      </div>
      <div class="part-foot">
        {taking ? (
          <Touch
            onTouch={() => {
              stop.current();
              setTaking(null);
            }}
          >
            {words.gauge.stop}
          </Touch>
        ) : (
          <button type="button" class="writes" onClick={take}>
            {words.gauge.takeNow}
          </button>
        )}
        <p class={said ? "said said-refused" : "said"} role="status">
          {taking ? words.gauge.taking(String(taking.left), taking.count) : said || (fate?.how === "refused" && !fate.field ? fate.text : fate?.how === "written" ? fate.text : "")}
        </p>
      </div>
      <h4>{words.gauge.points}</h4>
      {points.length === 0 ? (
        <p class="later">{words.gauge.pointsNone} {words.gauge.more(0)}</p>
      ) : (
        <table class="points">
          <thead>
            <tr>
              <th scope="col">{words.gauge.col.gauge}</th>
              <th scope="col">{words.gauge.col.shown}</th>
              <th scope="col">{words.gauge.col.scatter}</th>
              <th scope="col">{words.gauge.col.at}</th>
              <td />
            </tr>
          </thead>
          <tbody>
            {points.map((p, i) => (
              <tr key={p.at}>
                <td>{withName(figure(scale.shown(p.reference), scale.digits + 1), scale)} ± {figure(scale.shownSpread(p.uncertainty), scale.digits + 1)}</td>
                <td>{withName(figure(scale.shown(p.reading), scale.digits + 1), scale)}</td>
                <td>{words.gauge.scatterOf(figure(scale.shownSpread(2 * p.scatter), scale.digits + 1), p.count)}</td>
                <td>{clockSeconds(p.at, zone.value)}</td>
                <td>
                  <Touch label={words.gauge.drop(i + 1)} onTouch={() => keep(points.filter((x) => x !== p))}>
                    {words.gauge.dropShort}
                  </Touch>
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      )}
      {points.length === 1 && <p class="later">{words.gauge.more(1)}</p>}
      {points.length >= 2 && (
        <div class="part-foot">
          <button type="button" class="writes" onClick={() => void look()}>
            {words.gauge.whatWould}
          </button>
        </div>
      )}
      {would && (
        <>
          <h4>{words.gauge.would}</h4>
          <Result k={would.calibration} scale={scale} notes={would.notes} />
          <Press question={words.gauge.keep} who={by.value} note={words.gauge.keepBy(by.value)} waiting={fate?.how === "sending"} onHeld={onKeep} />
        </>
      )}
    </div>
  );
}

function Channel({ s, engine, whose, c }: { s: Setup; engine: string; whose: string; c: SetupChannel }) {
  const part = `points.${engine || "shed"}/${c.id.replace(/\./g, "_")}`;
  const [open, set] = useState(draft.value[`${part}.points`] !== undefined);
  const scale = scaleOf(c.id, c.unit, { pressure: pressureUnit.value, temperature: temperatureUnit.value });
  const what = words.channel(c.id);
  const k = c.calibration;
  const out = `out.calibration ${engine}.${c.id}`;
  const name = `${whose}: ${what}`;
  return (
    <section class="sub gauge" aria-label={name}>
      <div class="gauge-row">
        <h3>{name}</h3>
        <p class="gauge-now">
          <small>{words.gauge.shows}</small> <Figure of={judgedOf(c)} scale={scale} spread />
        </p>
        {c.reading && <Beside engine={engine} c={c} scale={scale} />}
      </div>
      <div class="gauge-how">
        <p>
          {k
            ? words.gauge.inUse(k.by, dayClock(Date.parse(k.at), zone.value), k.reference ?? "")
            : c.calibratable
              ? words.gauge.notSet
              : words.sentence(c.hindrance ?? "")}
        </p>
        {c.calibratable && (
          <Touch expanded={open} label={open ? words.heard.close : words.gauge.beginWhich(name)} onTouch={() => set(!open)}>
            {open ? words.heard.close : words.gauge.begin}
          </Touch>
        )}
      </div>
      {open && c.calibratable && (
        <>
          {s.daemon.state === "running" ? <Calibrating s={s} engine={engine} c={c} scale={scale} /> : <p class="later">{words.gauge.daemonDown}</p>}
          {k && (
            <>
              <Result k={k} scale={scale} notes={[]} />
              <TakeOut part={out} question={words.gauge.out} note={words.gauge.outNote} onHeld={() => void write(out, "", [], (m) => deleteCalibration(m, engine, c.id))} />
            </>
          )}
        </>
      )}
    </section>
  );
}

export function GaugeStage({ s }: { s: Setup }) {
  const all = [...s.engines.flatMap((e) => e.channels.map((c) => ({ engine: e.id, whose: e.name, c }))), ...s.channels.map((c) => ({ engine: "", whose: words.theShed, c }))];
  if (all.length === 0) return <p class="later">{words.gauge.none}</p>;
  return (
    <>
      {all.map((x) => (
        <Channel key={`${x.engine} ${x.c.id}`} s={s} {...x} />
      ))}
    </>
  );
}
