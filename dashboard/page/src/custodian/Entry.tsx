/** One engine of the shed: its alarms, its strip, one bold line, one plain line. */
import { acknowledge } from "../link/send.ts";
import { go } from "../frame/place.ts";
import { actUntil, stands, wantsWord } from "../state/alarmed.ts";
import { engineChosen } from "../state/own.ts";
import type { Line } from "../state/shedlist.ts";
import * as shown from "../state/shown.ts";
import type { Alarm } from "../state/wire.ts";
import type { TimeScale } from "../chart/scale.ts";
import { when } from "../words/clock.ts";
import { custodianWords as w } from "../words/custodian.ts";
import { words } from "../words/en.ts";
import { Word } from "../crew/Word.tsx";
import { Strip } from "./Strip.tsx";

export function Entry({ line, x, rem }: { line: Line; x: TimeScale; rem: number }) {
  return (
    <li class={`shed-engine${line.alarms.some(stands) ? " shed-engine-alarm" : ""}`}>
      <button
        type="button"
        class="shed-open"
        aria-label={w.opens(line.name)}
        onClick={() => {
          engineChosen.value = line.id;
          go("pit");
        }}
      />
      <h2>
        <svg class="arrow" width="14" height="14" viewBox="0 0 14 14" aria-hidden="true">
          <path d="M3,1v12l7,-6z" />
        </svg>
        <span>{line.name}</span>
      </h2>
      {line.alarms.length > 0 && (
        <div class="shed-alarms">
          {line.alarms.map((a) => (
            <Told key={a.id} a={a} />
          ))}
        </div>
      )}
      <div class="shed-words">
        <p class="shed-bold">{line.bold}</p>
        {line.plain && <p class="shed-plain">{line.plain}</p>}
      </div>
      <Strip line={line} x={x} rem={rem} />
    </li>
  );
}

/** How much it matters, in strokes; the word stands beside it. */
const strokes = { low: 1, medium: 2, high: 3 };

function Told({ a }: { a: Alarm }) {
  const over = !stands(a);
  return (
    <div class={`shed-alarm${over ? " shed-alarm-over" : ""}`} role="group" aria-label={a.title}>
      <p class="shed-alarm-what">
        <svg width="30" height="22" viewBox="0 0 30 22" aria-hidden="true">
          {[0, 1, 2].map((i) => (
            <rect key={i} class={i < strokes[a.priority] ? "stroke" : "stroke-none"} x={1.5 + 10 * i} y="1.5" width="7" height="19" />
          ))}
        </svg>
        <strong>{`${a.title}.`}</strong> <span class="shed-priority">{words.priority[a.priority]}</span>
      </p>
      {!over && <p class="shed-alarm-do">{a.action}</p>}
      <p class="shed-alarm-more">{[over ? w.over : byWhen(a), a.unseen ? w.unseen : "", knows(a)].filter(Boolean).join(" ")}</p>
      {wantsWord(a) && (
        <Word
          of={`seen ${a.id}`}
          question={over ? words.alarmSeenOver : words.alarmSeen}
          note={over ? words.hasSeenOver : words.hasSeen}
          onHeld={(who) => acknowledge(a.id, who)}
        />
      )}
    </div>
  );
}

function byWhen(a: Alarm): string {
  const until = actUntil(a);
  const now = shown.now.value;
  if (until === null || now === null) return "";
  return (until >= now ? w.actBy : w.wasDue)(when(until, now, shown.zone.value));
}

function knows(a: Alarm): string {
  if (a.state !== "acknowledged") return "";
  const t = when(Date.parse(a.t), shown.now.value, shown.zone.value);
  return a.by ? w.known(a.by, t) : w.knownBare(t);
}
