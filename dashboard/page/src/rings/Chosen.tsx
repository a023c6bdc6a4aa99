/** What is worth a ring to a person: fields that are written down together. */
import type { ComponentChildren } from "preact";
import { putChoice, type Alerts, type Lowest } from "../link/rings.ts";
import { Touch } from "../parts/Touch.tsx";
import * as shown from "../state/shown.ts";
import { pressures, temperatures } from "../state/own.ts";
import { clock } from "../words/clock.ts";
import { ringsWords } from "../words/rings.ts";
import { choiceOf, hoursOf, quietParts, shownOf, type Shown } from "./choose.ts";
import { said, take, tell, typed, type Typed } from "./kept.ts";

const w = ringsWords.chosen;
const lowests: readonly Lowest[] = ["high", "medium", "low"];
/** The key under which it is told what became of writing down. */
const key = "choice";
/** At least so many turns can be chosen from, where a shed has fewer people; common practice, no source. */
const leastTurns = 3;
const mostTurns = 20;

export function Chosen({ a, person, people }: { a: Alerts; person: string; people: number }) {
  const s = shownOf(a.choice, typed.value);
  const put = (t: Typed): void => {
    typed.value = { ...typed.value, ...t };
    if (said.value[key]?.how !== "sending") tell(key, null);
  };
  const dirty = Object.keys(typed.value).length > 0;
  const how = said.value[key];
  const engines = shown.engines.value;

  const write = async (): Promise<void> => {
    if (how?.how === "sending") return;
    const c = choiceOf(s, engines.map((e) => e.id));
    if (typeof c === "string") return tell(key, { how: "refused", text: c });
    tell(key, { how: "sending", text: "" });
    const sent = typed.value;
    try {
      take(await putChoice(person, c));
      // What was typed meanwhile is not written yet.
      if (typed.value === sent) typed.value = {};
      tell(key, { how: "done", text: w.written });
    } catch (err) {
      tell(key, { how: "refused", text: err instanceof Error ? err.message : String(err) });
    }
  };

  return (
    <form
      class="rings-part"
      noValidate
      onSubmit={(e) => {
        e.preventDefault();
        void write();
      }}
    >
      <h2>{w.title}</h2>
      <Group name={w.engines}>
        <Option type="radio" name="rings-engines" checked={!s.only} onChange={() => put({ only: false })}>
          {w.all}
        </Option>
        <Option type="radio" name="rings-engines" checked={s.only} onChange={() => put({ only: true })}>
          {w.only}
        </Option>
        {s.only && (
          <div class="rings-within" role="group" aria-label={w.only}>
            {engines.map((e) => (
              <Option key={e.id} type="checkbox" checked={s.engines.includes(e.id)} onChange={(on) => put({ engines: on ? [...s.engines, e.id] : s.engines.filter((x) => x !== e.id) })}>
                {e.name}
              </Option>
            ))}
          </div>
        )}
      </Group>
      <Group name={w.kinds} hint={w.kindsHint}>
        {kinds.map((k) => (
          <Option key={k} type="checkbox" checked={s.kinds.includes(k)} note={w.kind[k][1]} onChange={(on) => put({ kinds: kinds.filter((x) => (x === k ? on : s.kinds.includes(x))) })}>
            {w.kind[k][0]}
          </Option>
        ))}
      </Group>
      {s.kinds.includes("alarm") && (
        <Group name={w.lowest}>
          {lowests.map((l) => (
            <Option key={l} type="radio" name="rings-lowest" checked={s.lowest === l} onChange={() => put({ lowest: l })}>
              {w.lowestOf[l]}
            </Option>
          ))}
        </Group>
      )}
      <Group name={w.quiet} hint={w.quietHint}>
        <Option type="checkbox" checked={s.quiet} onChange={(on) => put({ quiet: on })}>
          {w.quietOn}
        </Option>
        {s.quiet && <Hours s={s} put={put} />}
      </Group>
      <Group name={w.order} hint={w.orderHint}>
        <label class="rings-field">
          <span class="aloud">{w.order}</span>
          <select value={String(s.after)} onChange={(e) => put({ after: Number(e.currentTarget.value) })}>
            {Array.from({ length: Math.min(mostTurns, Math.max(leastTurns, people, s.after + 1)) }, (_, n) => (
              <option key={n} value={String(n)}>
                {w.turn(n)}
              </option>
            ))}
          </select>
        </label>
      </Group>
      <Group name={w.mail} hint={w.mailHint}>
        <label class="rings-field">
          <span class="aloud">{w.mail}</span>
          <input type="email" inputMode="email" autocomplete="email" spellcheck={false} value={s.mail} onInput={(e) => put({ mail: e.currentTarget.value })} />
        </label>
        <Option type="checkbox" checked={s.webhook} note={w.webhookHint} onChange={(on) => put({ webhook: on })}>
          {w.webhook}
        </Option>
      </Group>
      <Group name={w.units}>
        <div class="rings-beside" role="group" aria-label={w.pressure}>
          {pressures.map((u) => (
            <Option key={u} type="radio" name="rings-pressure" checked={s.pressure === u} onChange={() => put({ pressure: u })}>
              {u}
            </Option>
          ))}
        </div>
        <div class="rings-beside" role="group" aria-label={w.temperature}>
          {temperatures.map((u) => (
            <Option key={u} type="radio" name="rings-temperature" checked={s.temperature === u} onChange={() => put({ temperature: u })}>
              {w.temperatureOf[u]}
            </Option>
          ))}
        </div>
      </Group>
      <div class={`rings-writes${dirty || how ? " rings-typed" : ""}`}>
        <button type="submit" class="rings-press" aria-disabled={how?.how === "sending" ? "true" : undefined}>
          {how?.how === "sending" ? w.writing : w.write}
        </button>
        {dirty && how?.how !== "sending" && (
          <Touch
            onTouch={() => {
              typed.value = {};
              tell(key, null);
            }}
          >
            {w.giveUp}
          </Touch>
        )}
        <p class={how?.how === "refused" ? "rings-said rings-refused" : "rings-said"} role="status">
          {how?.text ?? ""}
        </p>
      </div>
    </form>
  );
}

const kinds = Object.keys(w.kind) as (keyof typeof w.kind)[];

function Group({ name, hint, children }: { name: string; hint?: string; children: ComponentChildren }) {
  return (
    <fieldset class="rings-group">
      <legend>{name}</legend>
      {hint && <p class="rings-note">{hint}</p>}
      {children}
    </fieldset>
  );
}

interface OptionProps {
  readonly type: "radio" | "checkbox";
  readonly name?: string;
  readonly checked: boolean;
  readonly note?: string;
  readonly onChange: (on: boolean) => void;
  readonly children: ComponentChildren;
}

function Option({ type, name, checked, note, onChange, children }: OptionProps) {
  return (
    <label class="rings-option">
      <input type={type} name={name} checked={checked} onChange={(e) => onChange(e.currentTarget.checked)} />
      <span>
        {children}
        {note && <small>{note}</small>}
      </span>
    </label>
  );
}

/** The hours, and the day that they leave: hatched where it is quiet. */
function Hours({ s, put }: { s: Shown; put: (t: Typed) => void }) {
  const now = shown.live.value && shown.now.value !== null ? hoursOf(clock(shown.now.value, shown.zone.value)) : NaN;
  return (
    <>
      <div class="rings-hours">
        <label>
          <span>{w.from}</span>
          <input type="time" value={s.quiet_from} onInput={(e) => put({ quiet_from: e.currentTarget.value, quiet: true })} />
        </label>
        <label>
          <span>{w.to}</span>
          <input type="time" value={s.quiet_to} onInput={(e) => put({ quiet_to: e.currentTarget.value, quiet: true })} />
        </label>
      </div>
      <div class="rings-day" role="img" aria-label={w.dayOf}>
        <svg width="100%" height="26" aria-hidden="true">
          <defs>
            <pattern id="rings-hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
              <line x1="0" y1="0" x2="0" y2="7" class="rings-line" />
            </pattern>
          </defs>
          <rect class="rings-whole" x="0" y="5.5" width="100%" height="15" />
          {quietParts(s.quiet_from, s.quiet_to).map(([from, to]) => (
            <rect key={from} class="rings-hatched" fill="url(#rings-hatch)" x={`${(from / 24) * 100}%`} y="5.5" width={`${((to - from) / 24) * 100}%`} height="15" />
          ))}
          {now >= 0 && <rect class="rings-now" x={`${(now / 24) * 100}%`} y="0" width="4" height="26" />}
        </svg>
        <p aria-hidden="true">
          {[0, 6, 12, 18, 24].map((h) => (
            <span key={h}>{`${String(h).padStart(2, "0")}:00`}</span>
          ))}
        </p>
      </div>
    </>
  );
}
