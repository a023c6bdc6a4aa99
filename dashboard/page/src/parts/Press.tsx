import { useEffect, useRef, useState } from "preact/hooks";
import { words } from "../words/en.ts";
import { begin, complete, filled, frame, idle, remaining, slipPx, type Hold } from "./hold.ts";

interface Props {
  readonly question: string;
  readonly who: string;
  /** Stands in place of who says so: how the last one fared. */
  readonly note: string;
  /** True while an earlier one waits for its answer: dashed, and not to be held. */
  readonly waiting: boolean;
  readonly onHeld: () => void;
}

/** A wide press, held for a second. Leave, slip, a second finger, another key: nothing is sent. */
export function Press({ question, who, note, waiting, onHeld }: Props) {
  const ref = useRef<HTMLButtonElement>(null);
  const [hold, setHold] = useState<Hold>(idle);
  const current = useRef<Hold>(idle);
  const from = useRef<{ x: number; y: number; id: number } | null>(null);
  const key = useRef<string | null>(null);
  const onHeldNow = useRef(onHeld);
  onHeldNow.current = onHeld;

  const put = (h: Hold): void => {
    current.current = h;
    setHold(h);
  };
  const cancel = (): void => {
    from.current = null;
    key.current = null;
    if (current.current.held !== null) put(idle);
  };
  const start = (): void => {
    if (!waiting) put(begin(performance.now()));
  };

  const holding = hold.held !== null;
  useEffect(() => {
    if (!holding) return;
    let next = 0;
    const step = (): void => {
      const h = frame(current.current, performance.now());
      if (h.held === null) return;
      if (complete(h)) {
        cancel();
        navigator.vibrate?.(40);
        onHeldNow.current();
        return;
      }
      put(h);
      next = requestAnimationFrame(step);
    };
    next = requestAnimationFrame(step);
    const second = (e: PointerEvent): void => {
      if (e.pointerId !== from.current?.id) cancel();
    };
    document.addEventListener("pointerdown", second, true);
    document.addEventListener("visibilitychange", cancel);
    window.addEventListener("blur", cancel);
    return () => {
      cancelAnimationFrame(next);
      document.removeEventListener("pointerdown", second, true);
      document.removeEventListener("visibilitychange", cancel);
      window.removeEventListener("blur", cancel);
    };
  }, [holding]);

  const still = typeof matchMedia === "function" && matchMedia("(prefers-reduced-motion: reduce)").matches;
  const face = (over: boolean) => (
    <span class={over ? "press-face press-over" : "press-face"} aria-hidden={over ? "true" : undefined}>
      <span class="press-words">
        <span class="press-question">{question}</span>
        <span class="press-who">{holding ? words.keepHolding(who) : note || words.saysSo(who)}</span>
      </span>
      <span class="press-end">{waiting ? "\u2026" : holding ? words.more(remaining(hold)) : words.hold}</span>
    </span>
  );

  return (
    <button
      ref={ref}
      type="button"
      class={`press${waiting ? " press-waiting" : ""}${holding ? " press-holding" : ""}`}
      style={{ "--filled": String(filled(hold, still)) }}
      aria-disabled={waiting ? "true" : undefined}
      onPointerDown={(e) => {
        if (e.button !== 0 || !e.isPrimary || from.current) return cancel();
        from.current = { x: e.clientX, y: e.clientY, id: e.pointerId };
        start();
      }}
      onPointerMove={(e) => {
        const f = from.current;
        if (!f || e.pointerId !== f.id) return;
        const r = ref.current?.getBoundingClientRect();
        const out = !r || e.clientX < r.left || e.clientX > r.right || e.clientY < r.top || e.clientY > r.bottom;
        if (out || Math.hypot(e.clientX - f.x, e.clientY - f.y) > slipPx) cancel();
      }}
      onPointerUp={cancel}
      onPointerCancel={cancel}
      onPointerLeave={cancel}
      onContextMenu={(e) => e.preventDefault()}
      onKeyDown={(e) => {
        if (e.key !== "Enter" && e.key !== " ") return cancel();
        e.preventDefault();
        if (e.repeat || key.current) return;
        key.current = e.key;
        start();
      }}
      onKeyUp={cancel}
      onBlur={cancel}
    >
      {face(false)}
      {face(true)}
    </button>
  );
}
