/** An opened lane: each piece of evidence in a sentence, then what is for eye and ear. */
import { Touch } from "../parts/Touch.tsx";
import { withdraw } from "../link/send.ts";
import { person } from "../state/own.ts";
import * as shown from "../state/shown.ts";
import type { Reason } from "../state/wire.ts";
import { clock } from "../words/clock.ts";
import { words } from "../words/en.ts";
import { why } from "./told.ts";

export function Reasons({ id }: { id: string }) {
  const all = shown.reasons(id);
  const cautions = shown.cautions(id);
  return (
    <div class="reasons" id={`reasons-${id}`}>
      {all.map((r) => (
        <Evidence key={r.evidence} r={r} />
      ))}
      {all.length === 0 && <p class="reasons-none">{words.noReasons}</p>}
      <div class="evidence evidence-eye">
        <span class="evidence-name">{words.byEyeAndEar}</span>
        <ul class="evidence-text cautions">
          {[...cautions, words.cautionAlways].map((c) => (
            <li key={c}>{c}</li>
          ))}
        </ul>
      </div>
    </div>
  );
}

function Evidence({ r }: { r: Reason }) {
  const g = shown.standing(r);
  const live = shown.live.value;
  const until = Date.parse(g?.until ?? "");
  const more = g
    ? [
        r.text.includes(g.by) && g.by ? "" : words.saidBy(g.by || words.crew, clock(Date.parse(g.at), shown.zone.value)),
        Number.isFinite(until) ? words.lapsesAt(clock(until, shown.zone.value)) : "",
      ]
        .filter(Boolean)
        .join(" ")
    : "";
  const back = g ? shown.sentOf(`back ${g.confirm}`) : undefined;
  const fare = !back ? "" : back.how === "sent" ? words.waitingToBeRecorded : back.how === "refused" ? words.refused(back.text) : "";
  return (
    <div class="evidence">
      <span class="evidence-name">{r.title || r.evidence}</span>
      <span class="evidence-verdict">
        <svg width="28" height="14" aria-hidden="true">
          <rect class={`bar-${r.verdict}`} x="1" y="1" width="26" height="12" />
        </svg>
        {words.verdict[r.verdict]}
      </span>
      <span class="evidence-text">
        {live ? [why(r), more, fare].filter(Boolean).join(" ") : words.withheld}
      </span>
      {g && (
        <Touch class="take-back" label={words.takeBackWhat(r.title)} onTouch={() => withdraw(g.confirm, person.value || g.by)}>
          {words.takeBack}
        </Touch>
      )}
    </div>
  );
}
