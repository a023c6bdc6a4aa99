import { useEffect, useState } from "preact/hooks";

/**
 * Counts from 0 to `last`, one a task, so that a large first drawing does not hold
 * a slow tablet up in one piece: touches get in between.
 */
export function useStages(last: number): number {
  const [stage, set] = useState(0);
  useEffect(() => {
    if (stage >= last) return;
    const next = setTimeout(() => set(stage + 1));
    return () => clearTimeout(next);
  }, [stage, last]);
  return stage;
}
