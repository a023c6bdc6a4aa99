/** The names of the curves on a sheet of evenings, on their leaders. */
import type { Signal } from "@preact/signals";
import { useEffect, useState } from "preact/hooks";
import type { Engine } from "../state/wire.ts";
import { coarsest } from "./curves.ts";
import type { Curve, Laid } from "./lay.ts";
import { placeNames, type PlacedName } from "./names.ts";
import { noCurve, type Rects, type Strip } from "./strips.ts";
import { placeOf, type Seen } from "./zoom.ts";

interface NamesProps {
  readonly engine: Engine;
  readonly seen: Signal<Seen>;
  readonly rects: Rects;
  readonly strip: Strip | undefined;
  /** Another one whenever there are more curves to name. */
  readonly ready: unknown;
  readonly bold: Laid;
  readonly others: readonly Laid[];
  /** Those that are drawn, but not named. */
  readonly under: readonly Laid[];
  readonly name: (id: string) => string;
  readonly rem: number;
}

/** How long what is seen must rest before names are placed anew. */
const restMs = 90;

/** The names on their leaders: placed when the sheet comes to rest, moved along with it until then. */
export function Names({ engine, seen, rects, strip, ready, bold, others, under, name, rem }: NamesProps) {
  const [placed, set] = useState<{ readonly at: Seen; readonly names: readonly PlacedName[] }>({ at: seen.value, names: [] });
  const row = rects.rows["boiler"];
  const s = seen.value;
  useEffect(() => {
    if (!strip || !row || rects.width === 0) return;
    const timer = setTimeout(() => {
      const list = [bold, ...others].map((l) => ({
        id: l.id,
        width: name(l.id).length * (l === bold ? 0.6 : 0.55) * rem,
        height: 1.4 * rem,
        points: pointsIn(coarsest(l.curves[strip.channel] ?? noCurve), { from: s.from - l.shift, to: s.to - l.shift }, rects.width, strip.y),
      }));
      const unnamed = under.map((l) => pointsIn(coarsest(l.curves[strip.channel] ?? noCurve), { from: s.from - l.shift, to: s.to - l.shift }, rects.width, strip.y));
      // What they are laid by and the limit are lines, too.
      const zero = placeOf(s, 0, rects.width);
      const limit = engine.marks["blow_down_max"];
      const ruled = [[zero, 0, zero, row.height], ...(limit === undefined ? [] : [[0, strip.y(limit), rects.width, strip.y(limit)]])];
      set({ at: s, names: placeNames(list, [...unnamed, ...ruled], rects.width, row.height) });
    }, restMs);
    return () => clearTimeout(timer);
  }, [s.from, s.to, strip, ready, bold, others, under, rects]);
  const same = Math.abs(placed.at.to - placed.at.from - (s.to - s.from)) < 1;
  const shift = same ? placeOf(s, placed.at.from, rects.width) : 0;
  if (!row || !same) return null;
  return (
    <div class="over-names" style={{ top: `${row.top}px`, height: `${row.height}px` }} aria-hidden="true">
      <div style={{ transform: `translateX(${shift}px)` }}>
        <svg width={rects.width} height={row.height}>
          {placed.names.map((n) => (
            <line key={n.id} class="over-leader" x1={n.tip[0]} y1={n.tip[1]} x2={n.root[0]} y2={n.root[1]} />
          ))}
        </svg>
        {placed.names.map((n) => (
          <span key={n.id} class={n.id === bold.id ? "over-curve-name over-curve-bold" : "over-curve-name"} style={{ left: `${n.x}px`, top: `${n.y}px` }}>
            {name(n.id)}
          </span>
        ))}
      </div>
    </div>
  );
}

function pointsIn(c: Curve, s: Seen, width: number, y: (v: number) => number): number[] {
  const out: number[] = [];
  for (const r of c) {
    for (let i = 0; i < r.t.length; i++) {
      const t = r.t[i] ?? 0;
      if ((r.t[i + 1] ?? t) < s.from || (r.t[i - 1] ?? t) > s.to) continue;
      out.push(placeOf(s, t, width), y(r.v[i] ?? NaN));
    }
    out.push(NaN, NaN);
  }
  return out;
}
