/** A reading as it may be shown: full only while it is current, else an outline with its age. */
import { figureOf, type Figure as Judged } from "../state/shown.ts";
import type { SetupChannel, SetupSend } from "../link/setup.ts";
import { lasting } from "../words/clock.ts";
import { setUpWords as words } from "../words/setup.ts";
import { alive, daemonNow, quietS } from "./kept.ts";
import { figure, type Scale } from "./scale.ts";

/** A sender whose interval is not known counts as silent after this long, in s. Common practice, no source. */
const silentS = 15;

export const judgedOf = (c: SetupChannel): Judged => figureOf(c.reading, daemonNow.value, alive.value, quietS.value);

/** What a node sends for no channel yet has no limit of its own: three of its intervals do instead. */
export const judgedSend = (s: SetupSend): Judged =>
  figureOf(
    { value: s.value, unit: s.unit, quality: s.quality, ...(s.reason ? { reason: s.reason } : {}), at: s.at, age_s: 0, stale: false, fresh_s: Math.max(silentS, 3 * s.interval_s), uncertainty: 0 },
    daemonNow.value,
    alive.value,
    quietS.value,
  );

/** `spread` says whether the uncertainty stands beside it. */
export function Figure({ of, scale, spread }: { of: Judged; scale: Scale; spread?: boolean }) {
  if (of.kind === "none") return <span class="now-none">{words.heard.noReading}</span>;
  if (of.kind === "lost") {
    return (
      <span class="now-none">
        {words.notKnown}
        {of.why && <small>{of.why}</small>}
      </span>
    );
  }
  const u = figure(scale.shownSpread(of.uncertainty), scale.digits);
  return (
    <span class={of.kind === "full" ? "now" : "now now-outline"}>
      <span class="now-figure">{figure(scale.shown(of.value), scale.digits) || words.notKnown}</span>
      <small>
        {scale.name}
        {spread && of.uncertainty > 0 && ` \u00b1 ${u}`}
      </small>
      {of.kind === "outline" && <small class="now-age">{Number.isFinite(of.age) ? words.old(lasting(of.age)) : words.heard.noReading}{of.why && `, ${of.why}`}</small>}
    </span>
  );
}
