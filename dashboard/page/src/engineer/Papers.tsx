import type { EveningProps } from "./part.ts";

/** Stands under the evening drawn bold. */
export function Papers({ disposal }: EveningProps) {
  return <section data-disposal={disposal.id} />;
}
