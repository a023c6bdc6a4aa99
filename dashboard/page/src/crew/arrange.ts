/**
 * Which lanes stand by themselves and which are folded together. Every row is a
 * target of three rem at least, for a gloved hand; where they do not all fit, the
 * done ones fold into one row first, then those furthest behind the step in front.
 */

export type Row =
  | { readonly kind: "lane"; readonly id: string }
  | { readonly kind: "fold"; readonly which: "done" | "later"; readonly ids: readonly string[] };

export interface Room {
  readonly done: (id: string) => boolean;
  readonly front: string | null;
  /** The lane that is open; it never folds. */
  readonly open: string | null;
  readonly spread: boolean;
  /** Height for the whole sheet, in rem. */
  readonly room: number;
}

/** Height of a row, and what a row in front has more with its caution under it, in rem. */
export const rowRem = 3.07;
const frontMoreRem = 2.6;
const foldMoreRem = 0.5;
/** The scale and the least that the strips need to be read, in rem. */
const stripsRem = 2 + 10.5 + 2 * 2.95;
/** What the reasons of an open lane want, at the least, in rem. */
const reasonsRem = 13;

export function arrange(ids: readonly string[], r: Room): Row[] {
  const lane = (id: string): Row => ({ kind: "lane", id });
  const free = r.room - stripsRem - frontMoreRem - (r.open ? reasonsRem : 0);
  const all = Math.floor(free / rowRem);
  if (r.spread || ids.length <= all) return ids.map(lane);
  const stays = (id: string): boolean => id === r.front || id === r.open;
  const past = ids.filter((id) => r.done(id) && !stays(id));
  const rest = ids.filter((id) => !past.includes(id));
  const rows: Row[] = past.length > 1 ? [{ kind: "fold", which: "done", ids: past }] : past.map(lane);
  const folds = past.length > 1 ? 2 : 1;
  const fits = Math.max(2, Math.floor((free - folds * foldMoreRem) / rowRem));
  // No room even for a row of those done: they fold with those to come.
  const tightest = fits < 3 && r.open === null && rest.length > 1;
  if (tightest) rows.pop();
  const left = Math.max(1, fits - rows.length);
  if (!tightest && rest.length <= left) return [...rows, ...rest.map(lane)];
  const kept = new Set(rest.filter(stays));
  const from = Math.max(0, rest.indexOf(r.front ?? ""));
  for (const id of [...rest.slice(from), ...rest.slice(0, from)]) {
    if (kept.size >= left - 1) break;
    kept.add(id);
  }
  const folded = [...(tightest ? past : []), ...rest.filter((id) => !kept.has(id))];
  rows.push(...rest.filter((id) => kept.has(id)).map(lane));
  if (folded.length === 1 && folded[0]) rows.push(lane(folded[0]));
  else if (folded.length > 1) rows.push({ kind: "fold", which: "later", ids: folded });
  return rows;
}
