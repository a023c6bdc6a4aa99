import { signal, type Signal } from "@preact/signals";
import { useLayoutEffect, useRef, useState } from "preact/hooks";
import type { RefObject } from "preact";

export interface Size {
  readonly width: number;
  readonly height: number;
}

/** The size of an element in whole px, and again whenever it changes. */
export function useSize<T extends HTMLElement>(): [RefObject<T>, Size] {
  const ref = useRef<T>(null);
  const [size, setSize] = useState<Size>({ width: 0, height: 0 });
  useLayoutEffect(() => {
    const e = ref.current;
    if (!e) return;
    const take = (): void => {
      const r = e.getBoundingClientRect();
      const width = Math.round(r.width);
      const height = Math.round(r.height);
      setSize((old) => (old.width === width && old.height === height ? old : { width, height }));
    };
    take();
    const watch = new ResizeObserver(take);
    watch.observe(e);
    return () => watch.disconnect();
  }, []);
  return [ref, size];
}

interface Window extends Size {
  readonly rem: number;
}

const read = (): Window => ({
  width: innerWidth,
  height: innerHeight,
  rem: parseFloat(getComputedStyle(document.documentElement).fontSize) || 16,
});

/** Read once and kept: whoever asks a browser for it has it lay the page out at once. */
let kept: Signal<Window> | null = null;

function watched(): Signal<Window> {
  if (kept) return kept;
  const s = signal(read());
  const take = (): void => {
    const now = read();
    if (now.width !== s.value.width || now.height !== s.value.height || now.rem !== s.value.rem) s.value = now;
  };
  addEventListener("resize", take);
  // The root changes its size with the person's text.
  new ResizeObserver(take).observe(document.documentElement);
  return (kept = s);
}

/** The size of the window, and of one rem, which grows with the person's text. */
export const useWindow = (): Window => watched().value;
