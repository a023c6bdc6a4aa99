/** The first run: a shed that nobody has set up yet opens on its setting up. */
import { readSetup } from "../link/setup.ts";

/** Whether the daemon waits to be set up. False where it does not say. */
export async function waitsToBeSetUp(): Promise<boolean> {
  try {
    const s = await readSetup();
    return s.daemon.state === "set-up" && s.engines.length === 0;
  } catch {
    return false;
  }
}
