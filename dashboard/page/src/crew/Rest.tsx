/** The engine at rest: how it lies, what should be done, and what comes before a fire is lit. */
import { useState } from "preact/hooks";
import type { ComponentChildren } from "preact";
import { Form } from "../parts/Form.tsx";
import { Touch } from "../parts/Touch.tsx";
import { ofRest, restKey, withdraw } from "../link/send.ts";
import { beforeFire, reminders, repairOf, rest } from "../state/rest.ts";
import * as shown from "../state/shown.ts";
import { dayClock, onDate, when } from "../words/clock.ts";
import { words } from "../words/en.ts";
import { retold } from "../words/units.ts";
import { DoneWord, Repairs } from "./Repairs.tsx";
import { units } from "./told.ts";
import { Word } from "./Word.tsx";

/** The hour of the day that a date for the next steaming means. */
const wantedHour = 8;

/** What must be looked to before a fire is lit: it stands in front of everything but an alarm. */
export function BeforeFire() {
  const all = beforeFire.value;
  if (all.length === 0) return null;
  const out = shown.given.value.some((g) => g.confirm === "plugs-removed");
  return (
    <section class="before" aria-label={words.rest.before}>
      <h2>{words.rest.before}</h2>
      {all.map((r) => {
        const repair = repairOf(r);
        return (
          <div key={r.id} class="before-row">
            <p>{retold(r.text, units())}</p>
            {r.id === "plugs-back" && out && (
              <Word of="back plugs-removed" question={words.rest.plugsBack} note={words.saysSo} onHeld={(who) => withdraw("plugs-removed", who)} />
            )}
            {repair !== undefined && <DoneWord repair={repair} />}
          </div>
        );
      })}
    </section>
  );
}

const figure = (v: number | undefined, digits = 1): string | null => (v === undefined || !Number.isFinite(v) ? null : v.toFixed(digits).replace("-", "\u2212"));

export function AtRest() {
  const r = rest.value;
  const [form, setForm] = useState<"" | "wanted" | "looked">("");
  if (!r) return null;
  const w = words.rest;
  const zone = shown.zone.value;
  const told = (t: string): string => when(Date.parse(t), shown.now.value, zone);
  const [dew, margin, steel, frost] = [figure(r.dew_c), r.margin_k, figure(r.at_steel, 0), r.frost_margin_k];
  const hours = (h: number): string => w.hours(figure(h) ?? "0");
  const air = [
    r.watched_h > 0 ? w.watched(hours(r.watched_h), hours(r.damp_h), hours(r.condensing_h)) : w.notWatched,
    dew === null || margin === undefined ? w.dewNot : (margin < 0 ? w.dewUnder : w.dew)(dew, figure(Math.abs(margin)) ?? ""),
    steel === null ? "" : w.atSteel(steel),
  ];
  const rate = r.dries_per_h;
  const drying = [
    rate === undefined || rate === 0 ? "" : rate < 0 ? w.falls(figure(-rate, 2) ?? "") : w.rises(figure(rate, 2) ?? ""),
    r.dry_at ? w.dryAt(told(r.dry_at)) : "",
    r.drying ?? "",
  ].filter(Boolean);
  return (
    <section class="rest" aria-label={w.name}>
      <h2>
        {w.name}
        {r.since && <span> {w.since(told(r.since))}</span>}
      </h2>
      <div class="rest-rows">
        {reminders.value.length > 0 && (
          <Row name={w.toDo} class="rest-do">
            {reminders.value.map((m) => (
              <span key={m.id} class="rest-line">{`${m.text} ${w.due(told(m.due))}`}</span>
            ))}
          </Row>
        )}
        <Row name={w.layUp}>
          {[w.now(w.kind[r.layUp] ?? r.layUp), r.advised ? w.advised(w.kind[r.advised] ?? r.advised) : "", r.advice].filter(Boolean).join(" ")}
        </Row>
        <Row name={w.air}>{retold(air.filter(Boolean).join(" "), units())}</Row>
        {(drying.length > 0 || r.layUp === "dry") && <Row name={w.drying}>{drying.join(" ") || w.notWatched}</Row>}
        <Row name={w.frost}>
          {frost === undefined ? w.frostNot : retold((frost < 0 ? w.frostUnder : w.frostAbove)(figure(Math.abs(frost)) ?? ""), units())}
        </Row>
        <Row name={w.wanted}>
          {r.wanted ? w.wantedOn(dayClock(Date.parse(r.wanted), zone)) : w.wantedNot}{" "}
          <Touch label={`${w.wanted}: ${w.saysWanted}`} expanded={form === "wanted"} onTouch={() => setForm(form === "wanted" ? "" : "wanted")}>
            {w.saysWanted}
          </Touch>{" "}
          <Touch expanded={form === "looked"} onTouch={() => setForm(form === "looked" ? "" : "looked")}>
            {w.saysLooked}
          </Touch>
        </Row>
        <Row name={w.repairs}>
          <Repairs unlisted={beforeFire.value.some((m) => repairOf(m) !== undefined)} />
        </Row>
      </div>
      {form === "wanted" && <Wanted zone={zone} onSaid={() => setForm("")} />}
      {form === "looked" && (
        <Form>
          <Word
            of={restKey({ looked_into: true })}
            question={w.looked}
            note={words.saysSo}
            onHeld={(who) => {
              ofRest({ looked_into: true }, who);
              setForm("");
            }}
          />
        </Form>
      )}
    </section>
  );
}

function Row({ name, children, class: more }: { name: string; children: ComponentChildren; class?: string }) {
  return (
    <div class={`rest-row${more ? ` ${more}` : ""}`}>
      <span class="rest-name">{name}</span>
      <div class="rest-text">{children}</div>
    </div>
  );
}

/** A date, and a press. */
function Wanted({ zone, onSaid }: { zone: string; onSaid: () => void }) {
  const [date, setDate] = useState("");
  const [unknown, setUnknown] = useState(false);
  const t = onDate(date, wantedHour, zone);
  const word = unknown ? "unknown" : Number.isFinite(t) ? new Date(t).toISOString() : "";
  const w = words.rest;
  return (
    <Form>
      <label>
        <span>{w.wantedDate}</span>
        <input
          type="date"
          value={date}
          onInput={(e) => {
            setDate(e.currentTarget.value);
            setUnknown(false);
          }}
        />
      </label>
      <Touch pressed={unknown} onTouch={() => setUnknown(!unknown)}>
        {w.notKnown}
      </Touch>
      {word !== "" && (
        <Word
          of={restKey({ wanted: word })}
          question={unknown ? w.wantedUnknown : w.wantedAsk(dayClock(t, zone))}
          note={words.saysSo}
          onHeld={(who) => {
            ofRest({ wanted: word }, who);
            onSaid();
          }}
        />
      )}
    </Form>
  );
}
