/** Every channel of an engine: what it reads, how old that is, what was found, how uncertain it is, when it was last calibrated. */
import { calibrations, type SetupCalibration } from "../link/record.ts";
import * as shown from "../state/shown.ts";
import { health, type Health, type Sensor } from "../state/sensors.ts";
import type { Engine, Finding } from "../state/wire.ts";
import { clockSeconds, lasting, when } from "../words/clock.ts";
import { retold } from "../words/units.ts";
import { ageOf, reading, yearsWords } from "../words/years.ts";
import { units } from "../crew/told.ts";
import "../style/years.css";
import { dateOf } from "./change.ts";
import { useCalled, type Called } from "./called.ts";
import type { PartProps } from "./part.ts";

const w = yearsWords.sensors;

type Calibrations = Called<ReadonlyMap<string, SetupCalibration>>;

export function Sensors({ engine }: PartProps) {
  const h = health(engine);
  const [calibrated] = useCalled(engine.id, () => calibrations(engine.id));
  const [head, how] = told(engine, h);
  const own = h.sensors.filter((s) => !s.channel.startsWith("ambient."));
  const shed = h.sensors.filter((s) => s.channel.startsWith("ambient."));
  return (
    <>
      <h1 class="finding-head">{head}</h1>
      <p class="how" role="status">
        {how}
      </p>
      {h.nodes.map((f) => (
        <p key={`${f.node ?? ""} ${f.kind}`} class="sensor-found">
          {found(f)}
        </p>
      ))}
      {h.then.map((f) => (
        <p key={`${f.channel ?? ""} ${f.node ?? ""} ${f.kind}`} class="sensor-found">
          {w.then(found(f))}
        </p>
      ))}
      {calibrated.how === "failed" && <p class="how">{w.calibrationFailed(calibrated.why)}</p>}
      {h.sensors.length > 0 && (
        <table class="sensors">
          <thead>
            <tr>
              {Object.values(w.head).map((t) => (
                <th key={t} scope="col">
                  {t}
                </th>
              ))}
            </tr>
          </thead>
          {own.length > 0 && <Group name={w.groups.engine} sensors={own} calibrated={calibrated} alive={h.alive} />}
          {shed.length > 0 && <Group name={w.groups.shed} sensors={shed} calibrated={calibrated} alive={h.alive} />}
        </table>
      )}
    </>
  );
}

/** What there is to say of all of them, and how far it reaches. */
function told(e: Engine, h: Health): readonly [string, string] {
  if (h.sensors.length === 0 && h.nodes.length === 0) return [w.none(e.name), w.noneWaits];
  if (!h.alive) {
    const [now, ago] = [shown.now.value, shown.heardAgo.value];
    if (now === null || ago === null) return [w.never(e.name), w.neverHow];
    return [w.lost(e.name, lasting(ago)), w.lostHow(clockSeconds(now, shown.zone.value))];
  }
  const doubtful = h.sensors.filter((s) => s.findings.length > 0).length;
  if (doubtful > 0) return [w.found(e.name, doubtful, h.sensors.length), w.foundHow];
  if (h.nodes.length > 0) return [w.nodes(e.name), w.foundHow];
  const silent = h.sensors.filter((s) => s.figure.kind !== "full").length;
  if (silent > 0) return [w.silent(e.name, silent, h.sensors.length), w.foundHow];
  return [w.quiet(e.name, h.sensors.length), w.quietHow];
}

const found = (f: Finding): string => w.since(retold(f.text, units()), when(Date.parse(f.since), shown.now.value, shown.zone.value));

interface GroupProps {
  readonly name: string;
  readonly sensors: readonly Sensor[];
  readonly calibrated: Calibrations;
  readonly alive: boolean;
}

function Group({ name, sensors, calibrated, alive }: GroupProps) {
  return (
    <tbody>
      <tr class="sensor-group">
        <th scope="rowgroup" colSpan={6}>
          {name}
        </th>
      </tr>
      {sensors.map((s) => (
        <Row key={s.channel} s={s} calibrated={calibrated} alive={alive} />
      ))}
    </tbody>
  );
}

function Row({ s, calibrated, alive }: { s: Sensor; calibrated: Calibrations; alive: boolean }) {
  const r = s.reading;
  const f = s.figure;
  const t = f.kind === "full" || f.kind === "outline" ? reading(s.channel, r?.unit ?? "", f.value, f.uncertainty, units()) : null;
  const name = w.name(s.channel);
  return (
    <>
      <tr class={s.findings.length > 0 ? "sensor sensor-doubtful" : "sensor"} data-channel={s.channel}>
        <th scope="row">
          {name}
          {name !== s.channel && <small>{s.channel}</small>}
        </th>
        <td data-head={w.head.reads}>
          {t && f.kind === "full" && (
            <span class="sensor-value">
              {t.value} <small>{t.unit}</small>
            </span>
          )}
          {t && f.kind === "outline" && (
            <span class="sensor-value sensor-old">
              {w.wasReading(t.value)} <small>{t.unit}</small>
            </span>
          )}
          {!t && <span class="sensor-none">{r ? w.noReading : w.neverHeard}</span>}
        </td>
        <td data-head={w.head.spread}>{t?.spread ? `${t.spread} ${t.unit}` : ""}</td>
        <td data-head={w.head.age} class={f.kind === "full" ? "" : "sensor-late"}>
          {ageOf(s)}
        </td>
        <td data-head={w.head.quality}>{r && alive ? w.qualityWhy(w.quality[r.quality] ?? r.quality, r.quality === "good" ? "" : retold(r.reason ?? "", units())) : ""}</td>
        <td data-head={w.head.calibrated}>{calibratedOn(s.channel, calibrated)}</td>
      </tr>
      {s.findings.map((x) => (
        <tr class="sensor-finding" key={x.kind}>
          <td colSpan={6}>{found(x)}</td>
        </tr>
      ))}
    </>
  );
}

function calibratedOn(channel: string, c: Calibrations): string {
  switch (c.how) {
    case "waiting":
      return w.calibrationWaits;
    case "failed":
      return w.calibrationUnknown;
    case "here": {
      const k = c.what.get(channel);
      return k ? w.calibrated(dateOf(Date.parse(k.at), shown.now.value ?? Date.parse(k.at), shown.zone.value), k.by, k.reference ?? "") : w.notCalibrated;
    }
    default:
      return c satisfies never;
  }
}
