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

const posted = new MessageChannel();
const waiting: (() => void)[] = [];
posted.port1.onmessage = () => waiting.shift()?.();

/**
 * Runs a task once those that wait already have run, touches among them: at once, where a
 * timer that is set by a timer is put off by browsers. The function returned leaves it undone.
 */
export function soon(task: () => void): () => void {
  let left = false;
  waiting.push(() => {
    if (!left) task();
  });
  posted.port2.postMessage(null);
  return () => {
    left = true;
  };
}

/** Turns true once the page has nothing else to do, and after `most` ms in any case. */
export function useIdle(most: number): boolean {
  const [idle, set] = useState(false);
  useEffect(() => {
    // Not every browser has the one; the other only waits longer than it must.
    if (typeof requestIdleCallback !== "function") {
      const timer = setTimeout(() => set(true), most);
      return () => clearTimeout(timer);
    }
    const asked = requestIdleCallback(() => set(true), { timeout: most });
    return () => cancelIdleCallback(asked);
  }, []);
  return idle;
}
