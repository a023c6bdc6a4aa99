/**
 * The past of a channel at any width: kept as tiles of equal buckets, so that what was
 * once fetched is drawn while finer ones come. All pure; times and widths in ms.
 */
import type { Bucket } from "../state/wire.ts";
import type { Seen } from "./zoom.ts";

/** Widths of buckets. The store's are whole minutes from a minute on, whole hours from 80 minutes on. */
export const widths = [1_000, 5_000, 15_000, 60_000, 300_000, 900_000, 3_600_000, 4 * 3_600_000, 24 * 3_600_000] as const;

/** Buckets in a tile: 240 days at the widest, under the longest span of one call. */
export const tileBuckets = 240;

export interface TileId {
  readonly width: number;
  /** The tile covers [index × width × 240, …). */
  readonly index: number;
}

export interface Tile extends TileId {
  readonly buckets: readonly Bucket[];
  /** The same as points. */
  readonly points: readonly (Point | null)[];
  /** The newest time for which the store could have had samples when it was asked. */
  readonly asked: number;
  /** When it came, on the clock of the page. */
  readonly at: number;
}

export const tileKey = (channel: string, id: TileId): string => `${channel} ${id.width} ${id.index}`;
export const tileSpan = (id: TileId): Seen => {
  const span = id.width * tileBuckets;
  return { from: id.index * span, to: (id.index + 1) * span };
};

/** The widest buckets of which there is still one in two pixels, or the finest. */
export function widthFor(seen: Seen, px: number): number {
  const per = (seen.to - seen.from) / Math.max(1, px);
  return [...widths].reverse().find((w) => w <= 2 * per) ?? widths[0];
}

/** The width of which a tile or two show the same: two steps wider, as far as there are. */
export const coarser = (width: number): number => widths[Math.min(widths.length - 1, widths.indexOf(width as (typeof widths)[number]) + 2)] ?? width;

/** The stretches of what is seen for which no tile is held, neither of the width nor a wider one: not known, and not a gap. */
export function unheld(seen: Seen, width: number, held: (id: TileId) => Tile | undefined): Seen[] {
  const covered = drawable(seen, width, held).map((d) => {
    const t = tileSpan(d.tile);
    return { from: Math.max(d.from, t.from, seen.from), to: Math.min(d.to, t.to, seen.to) };
  });
  const out: Seen[] = [];
  let from = seen.from;
  for (const c of covered.sort((a, b) => a.from - b.from)) {
    if (c.from > from) out.push({ from, to: c.from });
    from = Math.max(from, c.to);
  }
  if (from < seen.to) out.push({ from, to: seen.to });
  return out;
}

/** The tiles of a width that touch what is seen. */
export function tilesOf(seen: Seen, width: number): TileId[] {
  const span = width * tileBuckets;
  const out: TileId[] = [];
  for (let i = Math.floor(seen.from / span); i * span < seen.to; i++) out.push({ width, index: i });
  return out;
}

/** One point of a drawn series. */
export interface Point {
  readonly t: number;
  readonly v: number;
  readonly lo: number;
  readonly hi: number;
}

/** The points that buckets give; one with no number gives null, where the line breaks. */
export function pointsOf(buckets: readonly Bucket[]): (Point | null)[] {
  return buckets.map((b) =>
    b.count === 0 || b.mean === null || b.min === null || b.max === null ? null : { t: (Date.parse(b.from) + Date.parse(b.to)) / 2, v: b.mean, lo: b.min, hi: b.max },
  );
}

/**
 * What there is to draw of a channel now: for each stretch of what is seen the finest
 * tile that is held and no finer than asked for, else a wider one. `held` gives a tile by its id.
 */
export function drawable(seen: Seen, width: number, held: (id: TileId) => Tile | undefined): { readonly tile: Tile; readonly from: number; readonly to: number }[] {
  const at = widths.indexOf(width as (typeof widths)[number]);
  const out: { tile: Tile; from: number; to: number }[] = [];
  for (const id of tilesOf(seen, width)) {
    const span = tileSpan(id);
    const [from, to] = [Math.max(span.from, seen.from), Math.min(span.to, seen.to)];
    const own = held(id);
    if (own) {
      out.push({ tile: own, from: span.from, to: span.to });
      continue;
    }
    // A wider tile covers this one wholly or in part: take whatever of it there is.
    for (const wider of widths.slice(at + 1)) {
      const covers = tilesOf({ from, to }, wider).map(held);
      if (covers.some((t) => t !== undefined)) {
        for (const t of covers) if (t) out.push({ tile: t, from, to });
        break;
      }
    }
  }
  return out;
}

/** Points further apart than this have a gap between them: the channel's limit of age, or the bucket's own width. */
export const gapOf = (width: number, freshMs: number): number => Math.max(freshMs > 0 ? freshMs : 60_000, 1.5 * width);

/** Cuts points into unbroken stretches. */
export function runsOf(points: readonly (Point | null)[], gap: number): Point[][] {
  const out: Point[][] = [];
  let run: Point[] = [];
  for (const p of points) {
    const last = run.at(-1);
    if (p === null || (last && p.t - last.t > gap)) {
      if (run.length > 0) out.push(run);
      run = [];
    }
    if (p !== null) run.push(p);
  }
  if (run.length > 0) out.push(run);
  return out;
}

/** The stretches of what is seen, longer than `gap`, from which nothing is known, before `until`. */
export function gapsIn(runs: readonly (readonly Point[])[], seen: Seen, gap: number, until: number): Seen[] {
  const out: Seen[] = [];
  let from = seen.from;
  const end = Math.min(seen.to, until);
  for (const r of runs) {
    const first = r[0]?.t ?? from;
    if (first - from > gap) out.push({ from, to: Math.min(first, end) });
    from = Math.max(from, r.at(-1)?.t ?? from);
  }
  if (end - from > gap) out.push({ from, to: end });
  return out.filter((g) => g.to > g.from);
}
