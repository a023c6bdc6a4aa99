/** A verdict's fill, small, beside its word: solid, hatched, or a dashed outline. */
import type { Verdict } from "../state/wire.ts";

/** The hatching of what is not yet, for all fills on the page under this id. */
export function Hatching({ id }: { id: string }) {
  return (
    <svg class="defs" width="0" height="0" aria-hidden="true">
      <defs>
        <pattern id={id} width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
          <line class="hatch" x1="0" x2="0" y1="0" y2="7" />
        </pattern>
      </defs>
    </svg>
  );
}

export function Fill({ verdict }: { verdict: Verdict }) {
  return (
    <svg class="fill" width="22" height="13" aria-hidden="true">
      {verdict === "not-yet" && <path class="fill-hatch" d="M1,8L7,1M2,12L13,1M8,12L19,1M14,12L21,5" />}
      <rect class={`fill-${verdict}`} x="1" y="1" width="20" height="11" />
    </svg>
  );
}
