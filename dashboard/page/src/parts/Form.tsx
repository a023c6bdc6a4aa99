import { useEffect } from "preact/hooks";
import type { ComponentChildren } from "preact";
import { useSize } from "./size.ts";

/** What is opened to give a word in: it comes into view when it opens, and when it grows. */
export function Form({ children }: { children: ComponentChildren }) {
  const [ref, size] = useSize<HTMLDivElement>();
  useEffect(() => {
    if (size.height > 0) ref.current?.scrollIntoView({ block: "nearest" });
  }, [size.height]);
  return (
    <div class="form" ref={ref}>
      {children}
    </div>
  );
}
