/** A shed that nobody has set up opens on its setting up, unless an address says otherwise. */
import { engines } from "../state/shown.ts";
import { addressOf } from "./place.ts";

/** How often a page that knows of no engine asks whether the shed waits to be set up. */
const askMs = 1_000;

/** Asks from now on, until an engine is known or a person is somewhere; the function returned stops it. */
export function openFirst(): () => void {
  const settled = (): boolean => location.hash !== "" || engines.value.length > 0;
  const timer = setInterval(() => {
    if (settled()) return clearInterval(timer);
    // Fetched only here, so that the tablet at the pit does not load it.
    import("../setup/first.ts").then(
      async (m) => {
        if ((await m.waitsToBeSetUp()) && !settled()) location.replace(addressOf("set-up"));
      },
      () => undefined, // The shed is not heard; asked again.
    );
  }, askMs);
  return () => clearInterval(timer);
}
