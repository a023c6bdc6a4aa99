/** A stage of the sheet: its number, its name, what it is for, and how far it is. */
import type { ComponentChildren } from "preact";
import { setUpWords as words } from "../words/setup.ts";
import { stages, type Missing, type StageId } from "./missing.ts";

export const idOfStage = (id: StageId): string => `stage-${id}`;

/** Brings a stage into view, and the keyboard with it. The address is left alone: it names the view. */
export function goToStage(id: StageId): void {
  const e = document.getElementById(idOfStage(id));
  e?.scrollIntoView({ block: "start" });
  e?.querySelector<HTMLElement>("h2")?.focus({ preventScroll: true });
}

interface Props {
  readonly id: StageId;
  readonly missing: readonly Missing[];
  readonly begun: boolean;
  readonly children: ComponentChildren;
}

export function Stage({ id, missing, begun, children }: Props) {
  const wants = missing.filter((m) => m.stage === id).length;
  return (
    <section class="stage" id={idOfStage(id)} aria-labelledby={`${idOfStage(id)}-name`}>
      <header class="stage-head">
        <span class="stage-number" aria-hidden="true">
          {stages.indexOf(id) + 1}
        </span>
        <h2 id={`${idOfStage(id)}-name`} tabIndex={-1}>
          {words.stage[id]}
        </h2>
        <p class="stage-how">{wants > 0 && begun ? words.stageWants(wants) : begun ? words.stageDone : words.stageLater}</p>
        <p class="stage-aim">{words.aim[id]}</p>
      </header>
      {children}
    </section>
  );
}
