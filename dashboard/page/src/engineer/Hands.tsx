/** A drawing with a line of time that a hand moves, and the words that move it, too. */
import type { Signal } from "@preact/signals";
import type { ComponentChildren, RefObject } from "preact";
import { engineerWords as words } from "../words/engineer.ts";
import { commanded, type Command } from "./hand.ts";
import type { Bounds, Seen } from "./zoom.ts";

interface HandOnProps {
  readonly of: RefObject<HTMLDivElement>;
  readonly seen: Signal<Seen>;
  readonly told: (s: Seen) => string;
  /** Calls still to come. */
  readonly coming?: number;
  /** Evenings whose curves are drawn. */
  readonly drawn?: number;
  readonly children: ComponentChildren;
}

/** What a hand moves; only it and the scale are made anew in each frame of a move. */
export function HandOn({ of, seen, told, coming, drawn, children }: HandOnProps) {
  return (
    <div class="over-hand" ref={of} tabIndex={0} role="group" aria-label={told(seen.value)} data-coming={coming} data-drawn={drawn}>
      {children}
    </div>
  );
}

/** The same by words, for whoever does not drag. */
export function Hands({ seen, bounds, howTo, children }: { seen: Signal<Seen>; bounds: Bounds; howTo: string; children?: ComponentChildren }) {
  const s = seen.value;
  const is = (c: Command): boolean => {
    const next = commanded(s, c, bounds);
    return Math.abs(next.from - s.from) < 1 && Math.abs(next.to - s.to) < 1;
  };
  return (
    <div class="hands" role="group" aria-label={words.handName}>
      {(Object.keys(words.hand) as Command[]).map((c) => (
        <button key={c} type="button" class="touch" disabled={is(c)} onClick={() => (seen.value = commanded(seen.value, c, bounds))}>
          <span>{words.hand[c]}</span>
        </button>
      ))}
      {children}
      <span class="hands-how">{howTo}</span>
    </div>
  );
}
