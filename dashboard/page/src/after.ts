/** What comes once the page stands: it is kept, and what it heard, for opening it without a network; and whether its person is rung. */
import { keepFailing } from "./link/failing.ts";
import { keepLast } from "./link/kept.ts";
import { register } from "./worker/register.ts";

/** `script` is the address of the page's own script, which names the build. */
export function after(script: string): void {
  void keepLast(script);
  register(script);
  keepFailing();
}
