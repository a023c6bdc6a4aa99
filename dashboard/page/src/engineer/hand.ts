/** Wheel, drag, two fingers and keys over a drawing with a line of time: what each does to what is seen. */
import type { Signal } from "@preact/signals";
import type { RefObject } from "preact";
import { useEffect, useRef } from "preact/hooks";
import { momentAt, moved, pinched, wheelFactor, within, zoomed, type Bounds, type Seen } from "./zoom.ts";

interface Hand {
  readonly seen: Signal<Seen>;
  readonly bounds: Bounds;
  /** True where the wheel zooms at once; else only with Ctrl, or while the drawing has the focus. */
  readonly wheels: boolean;
  /** The moment under the pointer, or chosen by a key; null where it left. */
  readonly reads: (t: number | null) => void;
}

/** A press that moved less than this is a touch, not a drag. */
const slipPx = 4;
/** How much one key zooms, and what part of the width it moves. */
const keyZoom = 1.5;
const keyMove = 0.15;

export type Command = "closer" | "wider" | "earlier" | "later" | "whole";

/** What a word or a key does to what is seen. */
export function commanded(s: Seen, c: Command, b: Bounds): Seen {
  const span = s.to - s.from;
  const middle = (s.from + s.to) / 2;
  switch (c) {
    case "closer":
      return zoomed(s, middle, 1 / keyZoom, b);
    case "wider":
      return zoomed(s, middle, keyZoom, b);
    case "earlier":
      return moved(s, -span * keyMove, b);
    case "later":
      return moved(s, span * keyMove, b);
    case "whole":
      return within(b.whole, b);
    default:
      return c satisfies never;
  }
}

const keys: Readonly<Record<string, Command>> = {
  "ArrowLeft": "earlier", "ArrowRight": "later", "+": "closer", "=": "closer", "-": "wider", "_": "wider", "Home": "whole",
};

/** Binds the element; the newest `hand` is always the one in force. */
export function useHand(ref: RefObject<HTMLElement>, hand: Hand): void {
  const now = useRef(hand);
  now.current = hand;
  useEffect(() => {
    const e = ref.current;
    if (!e) return;
    const left = (): number => e.getBoundingClientRect().left;
    const set = (s: Seen): void => {
      const old = now.current.seen.value;
      if (s.from !== old.from || s.to !== old.to) now.current.seen.value = s;
    };
    const fingers = new Map<number, { x: number; from: number }>();
    let start: Seen | null = null;
    let dragging = false;

    const down = (p: PointerEvent): void => {
      if (p.button !== 0) return;
      fingers.set(p.pointerId, { x: p.clientX, from: p.clientX });
      for (const f of fingers.values()) f.from = f.x;
      start = now.current.seen.value;
      dragging = fingers.size > 1;
    };
    const move = (p: PointerEvent): void => {
      const { seen, bounds, reads } = now.current;
      const f = fingers.get(p.pointerId);
      if (!f || !start) {
        if (p.pointerType === "mouse") reads(momentAt(seen.value, p.clientX - left(), e.clientWidth));
        return;
      }
      f.x = p.clientX;
      if (!dragging && Math.abs(f.x - f.from) < slipPx) return;
      if (!dragging) e.setPointerCapture(p.pointerId);
      dragging = true;
      const [a, b] = [...fingers.values()];
      if (a && b) set(pinched(start, e.clientWidth, a.from - left(), b.from - left(), a.x - left(), b.x - left(), bounds));
      else set(moved(start, -((f.x - f.from) / Math.max(1, e.clientWidth)) * (start.to - start.from), bounds));
    };
    const up = (p: PointerEvent): void => {
      if (!fingers.delete(p.pointerId)) return;
      if (!dragging && p.type === "pointerup") now.current.reads(momentAt(now.current.seen.value, p.clientX - left(), e.clientWidth));
      for (const f of fingers.values()) f.from = f.x;
      start = fingers.size > 0 ? now.current.seen.value : null;
      if (fingers.size === 0) dragging = false;
    };
    const out = (p: PointerEvent): void => {
      if (p.pointerType === "mouse" && fingers.size === 0) now.current.reads(null);
    };
    const wheel = (w: WheelEvent): void => {
      const { seen, bounds, wheels } = now.current;
      const s = seen.value;
      if (Math.abs(w.deltaX) > Math.abs(w.deltaY)) {
        const next = moved(s, (w.deltaX / Math.max(1, e.clientWidth)) * (s.to - s.from), bounds);
        if (next.from === s.from) return;
        w.preventDefault();
        return set(next);
      }
      if (!wheels && !w.ctrlKey && !w.metaKey && document.activeElement !== e) return;
      const next = zoomed(s, momentAt(s, w.clientX - left(), e.clientWidth), wheelFactor(w.deltaY, w.deltaMode), bounds);
      // At the widest, the wheel is the page's own again.
      if (next.to - next.from === s.to - s.from && !w.ctrlKey) return;
      w.preventDefault();
      set(next);
    };
    const key = (k: KeyboardEvent): void => {
      if (k.ctrlKey || k.altKey || k.metaKey) return;
      const c = keys[k.key];
      const { seen, bounds, reads } = now.current;
      if (k.key === "Escape") return reads(null);
      if (!c) return;
      k.preventDefault();
      const next = commanded(seen.value, c, bounds);
      set(next);
      reads((next.from + next.to) / 2);
    };
    e.addEventListener("pointerdown", down);
    e.addEventListener("pointermove", move);
    e.addEventListener("pointerup", up);
    e.addEventListener("pointercancel", up);
    e.addEventListener("pointerleave", out);
    e.addEventListener("wheel", wheel, { passive: false });
    e.addEventListener("keydown", key);
    return () => {
      e.removeEventListener("pointerdown", down);
      e.removeEventListener("pointermove", move);
      e.removeEventListener("pointerup", up);
      e.removeEventListener("pointercancel", up);
      e.removeEventListener("pointerleave", out);
      e.removeEventListener("wheel", wheel);
      e.removeEventListener("keydown", key);
    };
  }, [ref]);
}
