/** What needs a person: wide presses at the foot, where the thumbs are. */
import { Press } from "../parts/Press.tsx";
import { Touch } from "../parts/Touch.tsx";
import { answer, withdraw } from "../link/send.ts";
import { askKey, asks, justSaid, live, now, sentOf, zone } from "../state/shown.ts";
import type { Ask } from "../state/wire.ts";
import { clock } from "../words/clock.ts";
import { words } from "../words/en.ts";
import { speaker, Who } from "./Who.tsx";

/** More asks for later than this are not shown: they come when their time does. */
const laterShown = 1;

export function Asks() {
  if (!live.value) {
    const t = now.value;
    return (
      <div class="asks">
        <div class="ask-later">
          <span class="press-question">{words.noPresses}</span>
          {t !== null && <span class="press-who">{words.noPressesMore(clock(t, zone.value))}</span>}
        </div>
      </div>
    );
  }
  const who = speaker();
  const said = justSaid.value;
  const current = distinct(asks.value.filter((a) => a.now));
  const later = distinct(asks.value.filter((a) => !a.now)).filter((l) => !current.some((c) => askKey(c) === askKey(l)));
  if (current.length > 0 && !who) {
    return (
      <div class="asks">
        <Who />
      </div>
    );
  }
  return (
    <div class="asks">
      {current.map((a) => {
        const s = sentOf(askKey(a));
        const note = !s ? "" : s.how === "sent" ? words.waitingToBeRecorded : s.how === "recorded" ? words.recorded : words.refused(s.text);
        return (
          <Press
            key={`${askKey(a)} ${a.question} ${who}`}
            question={a.question}
            who={who}
            note={note}
            waiting={s?.how === "sent" || s?.how === "recorded"}
            onHeld={() => answer(a, who)}
          />
        );
      })}
      {said && (
        <div class="ask-later ask-said" key="said">
          <span class="press-words">
            <span class="press-question">{said.question}</span>
            <span class="press-who">{words.justSaid(said.by)}</span>
          </span>
          <Touch label={words.takeBackWhat(said.question)} onTouch={() => withdraw(said.confirm, said.by)}>
            {words.takeBack}
          </Touch>
        </div>
      )}
      {later.slice(0, current.length < 3 ? laterShown : 0).map((a) => (
        <div class="ask-later" key={askKey(a)}>
          <span class="press-question">{a.question}</span>
          <span class="press-who">{a.note || words.askedLater}</span>
        </div>
      ))}
      {current.length + later.length === 0 && !said && (
        <div class="ask-later ask-none">
          <span class="press-who">{words.nothingAsked}</span>
        </div>
      )}
    </div>
  );
}

function distinct(all: readonly Ask[]): Ask[] {
  const seen = new Set<string>();
  return all.filter((a) => !seen.has(askKey(a)) && seen.add(askKey(a)));
}
