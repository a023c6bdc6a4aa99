import type { ComponentChildren } from "preact";

interface Props {
  readonly children: ComponentChildren;
  readonly onTouch: () => void;
  readonly label?: string;
  readonly pressed?: boolean;
  readonly expanded?: boolean;
  readonly class?: string;
}

/** A word that can be touched: cool and underlined, heavier while it is the one chosen. */
export function Touch({ children, onTouch, label, pressed, expanded, class: more }: Props) {
  return (
    <button
      type="button"
      class={`touch${pressed ? " touch-chosen" : ""}${more ? ` ${more}` : ""}`}
      aria-label={label}
      aria-pressed={pressed}
      aria-expanded={expanded}
      onClick={onTouch}
    >
      <span>{children}</span>
    </button>
  );
}
