import { signal } from "@preact/signals";
import { Failing } from "../frame/Failing.tsx";
import { Touch } from "../parts/Touch.tsx";
import * as own from "../state/own.ts";
import { alarms, engine, engines, live, now, shed, zone } from "../state/shown.ts";
import { day } from "../words/clock.ts";
import { initials, words } from "../words/en.ts";
import { Opener } from "./Alarms.tsx";
import { heard, sentence } from "./told.ts";

const choosing = signal(false);

/** Opens the choices; its words are at the same time the legend of the sheet's units. */
export function Choose({ short }: { short: boolean }) {
  const who = own.person.value;
  const chosen = [(short ? initials(who) : who) || words.nobody, own.pressureUnit.value, words.temperatureUnit[own.temperatureUnit.value]].join(", ");
  return (
    <Touch class="choose" label={`${chosen}: ${words.choices}`} expanded={choosing.value} onTouch={() => (choosing.value = !choosing.value)}>
      {chosen}
    </Touch>
  );
}

/** On a wide page the choices stand in the sheet's gutter instead. */
export function Head({ wide, phone }: { wide: boolean; phone: boolean }) {
  const s = sentence();
  const t = now.value;
  const chars = Math.max(12, s.head.length);
  return (
    <>
      <div class="head">
        <div class="sentence" style={{ "--chars": String(chars) }}>
          <h1 class={`${s.alarm ? "alarm" : ""}${s.unseen ? " unseen" : ""}`}>{s.head}</h1>
        </div>
        <div class={`reason${s.reason.length + s.second.length > 110 ? " reason-long" : ""}`}>
          <p>{s.reason}</p>
          {s.second && <p class="second">{s.second}</p>}
        </div>
        <div class="which">
          <nav class="engines">
            {engines.value.map((e) =>
              e.id === engine.value?.id ? (
                <strong key={e.id} aria-current="true">
                  {e.name}
                </strong>
              ) : (
                <Touch key={e.id} label={words.otherEngine(e.name)} onTouch={() => (own.engineChosen.value = e.id)}>
                  {e.name}
                </Touch>
              ),
            )}
          </nav>
          <p class="place">
            {[shed.value?.name, t !== null ? day(t, zone.value) : ""].filter(Boolean).join(", ")}
          </p>
        </div>
        <div class="known">
          {!wide && <Choose short={phone} />}
          {wide && <Failing short />}
          {live.value && engine.value && alarms.value.length === 0 && <Opener />}
          <p class="heard">{heard()}</p>
        </div>
      </div>
      <p class="aloud" role="status" aria-live="polite">
        {[s.head, s.alarm ? "" : (alarms.value[0]?.title ?? "")].filter(Boolean).join(" ")}
      </p>
      {!wide && <Failing />}
      {choosing.value && <Choices />}
    </>
  );
}

function Choices() {
  const people = shed.value?.people ?? [];
  return (
    <div class="choices">
      {people.length > 0 && (
        <Choice
          name={words.choose.person}
          all={people}
          chosen={own.person.value}
          word={(p) => p}
          choose={(p) => (own.person.value = p)}
        />
      )}
      <Choice
        name={words.choose.ground}
        all={own.grounds}
        chosen={own.ground.value}
        word={(g) => words.ground[g]}
        choose={(g) => (own.ground.value = g)}
      />
      <Choice
        name={words.choose.pressure}
        all={own.pressures}
        chosen={own.pressureUnit.value}
        word={(u) => u}
        choose={(u) => (own.pressureUnit.value = u)}
      />
      <Choice
        name={words.choose.temperature}
        all={own.temperatures}
        chosen={own.temperatureUnit.value}
        word={(u) => words.temperatureUnit[u]}
        choose={(u) => (own.temperatureUnit.value = u)}
      />
    </div>
  );
}

interface ChoiceProps<T extends string> {
  readonly name: string;
  readonly all: readonly T[];
  readonly chosen: T;
  readonly word: (t: T) => string;
  readonly choose: (t: T) => void;
}

function Choice<T extends string>({ name, all, chosen, word, choose }: ChoiceProps<T>) {
  return (
    <div class="choice" role="group" aria-label={name}>
      <span class="choice-name">{name}</span>
      {all.map((x) => (
        <Touch key={x} pressed={x === chosen} onTouch={() => choose(x)}>
          {word(x)}
        </Touch>
      ))}
    </div>
  );
}
