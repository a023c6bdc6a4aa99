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

/** The size of the window, and of one rem, which grows with the person's text. */
export function useWindow(): Size & { readonly rem: number } {
  const read = () => ({
    width: innerWidth,
    height: innerHeight,
    rem: parseFloat(getComputedStyle(document.documentElement).fontSize) || 16,
  });
  const [now, set] = useState(read);
  useLayoutEffect(() => {
    const take = (): void => set(read());
    addEventListener("resize", take);
    const watch = new ResizeObserver(take);
    watch.observe(document.documentElement);
    take();
    return () => {
      removeEventListener("resize", take);
      watch.disconnect();
    };
  }, []);
  return now;
}
