/** A form of the sheet: fields that are written down together, and what became of it. */
import { useEffect } from "preact/hooks";
import type { ComponentChildren } from "preact";
import { Touch } from "../parts/Touch.tsx";
import { setUpWords as words } from "../words/setup.ts";
import { draft, forget, standing, type as typed } from "./draft.ts";
import { fates, unsay } from "./kept.ts";

/** The id of a field's element. */
export const idOfField = (part: string, name: string): string => `f-${`${part}.${name}`.replace(/[^A-Za-z0-9_-]/g, "-")}`;

interface PartProps {
  /** Names the part in the draft and among the fates. */
  readonly id: string;
  readonly onWrite: () => void;
  readonly children: ComponentChildren;
  /** What the button says. */
  readonly press?: string;
  /** False where there is nothing to be written, so that no button stands there. */
  readonly open?: boolean;
}

export function Part({ id, onWrite, children, press, open = true }: PartProps) {
  const fate = fates.value[id];
  const refused = fate?.how === "refused" ? fate : null;
  useEffect(() => {
    if (refused?.field) document.getElementById(idOfField(id, refused.field))?.focus();
  }, [refused?.n]);
  const dirty = Object.keys(draft.value).some((k) => k.startsWith(`${id}.`));
  return (
    <form
      class="part"
      noValidate
      onSubmit={(e) => {
        e.preventDefault();
        onWrite();
      }}
    >
      <div class="fields">{children}</div>
      {open && (
        <div class="part-foot">
          <button type="submit" class="writes" aria-disabled={fate?.how === "sending" ? "true" : undefined}>
            {fate?.how === "sending" ? words.writing : (press ?? words.writeDown)}
          </button>
          <p class={refused ? "said said-refused" : "said"} role="status">
            {refused ? (refused.field ? "" : refused.text) : fate?.how === "written" ? fate.text || words.written : ""}
          </p>
          {dirty && fate?.how !== "sending" && (
            <Touch
              onTouch={() => {
                forget(`${id}.`);
                unsay(id);
              }}
            >
              {words.giveUp}
            </Touch>
          )}
        </div>
      )}
    </form>
  );
}

interface Common {
  readonly part: string;
  /** The key as the file has it, so that a complaint of the daemon finds its field. */
  readonly name: string;
  readonly label: string;
  readonly hint?: ComponentChildren;
  /** What is written; it stands there until something else is typed. */
  readonly written: string;
}

/** What a refusal says of a field; empty where it says nothing. */
const saidOf = (part: string, name: string): string => {
  const f = fates.value[part];
  return f?.how === "refused" && f.field === name ? f.text : "";
};

const put = (part: string, name: string, text: string, written: string): void => {
  typed(`${part}.${name}`, text, written);
  unsay(part);
};

function Under({ id, hint, wrong }: { id: string; hint: ComponentChildren; wrong: string }) {
  return (
    <>
      {hint !== undefined && hint !== "" && (
        <span class="hint" id={`${id}-hint`}>
          {hint}
        </span>
      )}
      {wrong !== "" && (
        <span class="wrong" id={`${id}-wrong`} role="alert">
          {wrong}
        </span>
      )}
    </>
  );
}

const describedBy = (id: string, hint: ComponentChildren, wrong: string): string | undefined =>
  [hint !== undefined && hint !== "" ? `${id}-hint` : "", wrong !== "" ? `${id}-wrong` : ""].filter(Boolean).join(" ") || undefined;

interface TextProps extends Common {
  readonly unit?: string;
  readonly decimal?: boolean;
  readonly rows?: number;
  /** Proposals. */
  readonly among?: readonly string[];
  readonly wide?: boolean;
  readonly children?: ComponentChildren;
}

/** A text or a figure to be typed. */
export function Text({ part, name, label, hint, written, unit, decimal, rows, among, wide, children }: TextProps) {
  const id = idOfField(part, name);
  const wrong = saidOf(part, name);
  const value = standing(`${part}.${name}`, written);
  const shared = {
    id,
    value,
    "aria-describedby": describedBy(id, hint, wrong),
    "aria-invalid": wrong === "" ? undefined : true,
    autocomplete: "off",
    spellcheck: false,
  };
  return (
    <div class={`field${wide ? " field-wide" : ""}${decimal ? " field-figure" : ""}`}>
      <label for={id}>{label}</label>
      <span class="entry-line">
        {rows ? (
          <textarea {...shared} rows={rows} onInput={(e) => put(part, name, e.currentTarget.value, written)} />
        ) : (
          <input {...shared} type="text" inputMode={decimal ? "decimal" : undefined} list={among ? `${id}-among` : undefined} onInput={(e) => put(part, name, e.currentTarget.value, written)} />
        )}
        {unit && <span class="unit">{unit}</span>}
      </span>
      {among && (
        <datalist id={`${id}-among`}>
          {among.map((a) => (
            <option key={a} value={a} />
          ))}
        </datalist>
      )}
      <Under id={id} hint={hint} wrong={wrong} />
      {children}
    </div>
  );
}

interface OneOfProps extends Common {
  readonly options: readonly (readonly [value: string, label: string])[];
  readonly wide?: boolean;
}

/** One of a few, each readable as it stands. */
export function OneOf({ part, name, label, hint, written, options, wide }: OneOfProps) {
  const id = idOfField(part, name);
  const wrong = saidOf(part, name);
  const value = standing(`${part}.${name}`, written);
  return (
    <fieldset class={`field one-of${wide ? " field-wide" : ""}`} id={id} tabIndex={-1} aria-describedby={describedBy(id, hint, wrong)}>
      <legend>{label}</legend>
      {options.map(([v, text]) => (
        <label key={v} class="option">
          <input type="radio" name={id} value={v} checked={v === value} onChange={() => put(part, name, v, written)} />
          <span>{text}</span>
        </label>
      ))}
      <Under id={id} hint={hint} wrong={wrong} />
    </fieldset>
  );
}

/** One of many. */
export function Select({ part, name, label, hint, written, options }: OneOfProps) {
  const id = idOfField(part, name);
  const wrong = saidOf(part, name);
  return (
    <div class="field">
      <label for={id}>{label}</label>
      <select
        id={id}
        value={standing(`${part}.${name}`, written)}
        aria-describedby={describedBy(id, hint, wrong)}
        aria-invalid={wrong === "" ? undefined : true}
        onChange={(e) => put(part, name, e.currentTarget.value, written)}
      >
        {options.map(([v, text]) => (
          <option key={v} value={v}>
            {text}
          </option>
        ))}
      </select>
      <Under id={id} hint={hint} wrong={wrong} />
    </div>
  );
}
