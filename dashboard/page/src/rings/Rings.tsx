/** What rings: what a person is told at home, by which ways, and what became of it. */
import { useEffect } from "preact/hooks";
import "../style/rings.css";
import { Foot } from "../frame/Foot.tsx";
import { addressOf } from "../frame/place.ts";
import { Touch } from "../parts/Touch.tsx";
import { person } from "../state/own.ts";
import * as shown from "../state/shown.ts";
import { lasting, when } from "../words/clock.ts";
import { ringsWords as w } from "../words/rings.ts";
import { Chosen } from "./Chosen.tsx";
import { readsAs, reachedBy } from "./choose.ts";
import { alerts, keepRings, stale, trouble } from "./kept.ts";
import { Letters } from "./Letters.tsx";
import { Watcher } from "./Watcher.tsx";
import { Ways } from "./Ways.tsx";

/** Who is looked at: nobody until the shed has told its people and one of them is chosen. */
const whose = (): string => ((shown.shed.value?.people ?? []).includes(person.value) ? person.value : "");

export function Rings() {
  const people = shown.shed.value?.people ?? [];
  const who = whose();
  useEffect(() => keepRings(who), [who]);
  useEffect(() => {
    document.title = `${w.title}, Ashlamp`;
  }, []);
  const a = alerts.value;
  const old = stale.value;
  return (
    <main class="view rings">
      <header class="rings-head">
        <h1>{w.title}</h1>
        <a class="rings-link" href={addressOf("shed")}>
          {w.back}
        </a>
      </header>
      <p class={old ? "rings-quiet" : "aloud"} role="status">
        {old ? w.stale(old.since === null ? "" : when(old.since, shown.now.value, shown.zone.value), lasting(old.s)) : ""}
      </p>
      {shown.shed.value && people.length === 0 && (
        <p class="rings-first">
          {w.nobody}{" "}
          <a class="rings-link" href={addressOf("set-up")}>
            {w.toSetUp}
          </a>
        </p>
      )}
      {people.length > 0 && (
        <div class="rings-whose" role="group" aria-label={w.whose}>
          <span>{who ? w.whoseNow : w.whose}</span>
          {people.map((p) => (
            <Touch key={p} pressed={p === who} onTouch={() => (person.value = p)}>
              {p}
            </Touch>
          ))}
        </div>
      )}
      {!a && who && <p role="status">{trouble.value ? w.notHere(trouble.value) : w.asking}</p>}
      {!a && !shown.shed.value && <p role="status">{w.asking}</p>}
      {a && a.person === who && (
        <>
          <Reads />
          <div class="rings-columns">
            <div>
              <Ways a={a} person={who} />
              <Watcher a={a} />
              <Letters a={a} />
            </div>
            <Chosen a={a} person={who} people={people.length} />
          </div>
        </>
      )}
      <Foot />
    </main>
  );
}

/** The sentence: by what, of what, and what is wrong with it. */
function Reads() {
  const a = alerts.value;
  if (!a) return null;
  const { by, fails } = reachedBy(a);
  const name = (id: string): string => shown.engines.value.find((e) => e.id === id)?.name ?? id;
  return (
    <section class="rings-reads">
      <p class="rings-by">{stale.value ? w.reachedUnknown : by.length > 0 ? w.reached(by, fails) : fails.length > 0 ? w.reachedBadly(fails) : w.reachedNot}</p>
      {a.failing && (
        <p class="rings-fails" role="status">
          {a.failing}
        </p>
      )}
      <p class="rings-of">{[by.length + fails.length > 0 ? "" : w.reachedNotDo, readsAs(a.choice, name), a.choice.quiet_from && a.choice.quiet_to ? w.quietFrom(a.choice.quiet_from, a.choice.quiet_to) : ""].filter(Boolean).join(" ")}</p>
      <p class="rings-note">
        {w.believe} {w.silence}
      </p>
    </section>
  );
}
