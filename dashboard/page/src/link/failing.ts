/** Asks now and then whether this device's person is rung as they chose to be. */
import { effect } from "@preact/signals";
import { failing } from "../state/failing.ts";
import { person } from "../state/own.ts";
import { live, shed } from "../state/shown.ts";
import { readAlerts } from "./rings.ts";

/** A way that fails is told of after a minute; nobody needs to know sooner. */
const askMs = 60_000;

/** Asks from now on, while the shed is heard; the function returned stops it. */
export function keepFailing(): () => void {
  let left = false;
  const ask = async (): Promise<void> => {
    const who = person.peek();
    const known = who !== "" && (shed.peek()?.people ?? []).includes(who);
    if (!known) return void (failing.value = null);
    if (!live.peek() || document.hidden) return;
    try {
      const a = await readAlerts(who);
      if (!left && person.peek() === who) failing.value = a.failing ? { who, text: a.failing } : null;
    } catch {
      // A daemon that rings nobody has nothing that fails; one that is not heard is told of by the page itself.
    }
  };
  const again = setInterval(() => void ask(), askMs);
  const stop = effect(() => {
    // Another person, or the first word from the shed.
    void person.value;
    void live.value;
    void ask();
  });
  return () => {
    left = true;
    clearInterval(again);
    stop();
  };
}
