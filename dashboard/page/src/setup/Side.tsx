/** Beside the sheet: what is still missing, and the file as it is or will be. */
import { Touch } from "../parts/Touch.tsx";
import type { Setup } from "../link/setup.ts";
import { setUpWords as words } from "../words/setup.ts";
import { weights, type Missing } from "./missing.ts";
import { goToStage } from "./Stage.tsx";
import { commentAt } from "./toml.ts";

export const sideId = "set-up-missing";

/** A line of TOML, with what a person wrote beside it told from what counts. */
function Line({ text, wrong }: { text: string; wrong: string }) {
  const at = commentAt(text);
  return (
    <span class={wrong ? "toml-line toml-wrong" : "toml-line"}>
      <span>{text.slice(0, at)}</span>
      {at < text.length && <span class="toml-comment">{text.slice(at)}</span>}
      {text === "" && "\u200b"}
      {wrong && <strong class="toml-fault">{wrong}</strong>}
    </span>
  );
}

export function Side({ s, missing }: { s: Setup; missing: readonly Missing[] }) {
  const lines = s.file.text.replace(/\n$/, "").split("\n");
  return (
    <aside class="side" aria-label={words.side}>
      <section id={sideId} aria-labelledby={`${sideId}-name`}>
        <h2 id={`${sideId}-name`} tabIndex={-1}>
          {words.side}
        </h2>
        {missing.length === 0 && <p>{words.sideNone}</p>}
        {weights.map((w) => {
          const these = missing.filter((m) => m.weight === w);
          return (
            these.length > 0 && (
              <section key={w} class={`wants wants-${w}`}>
                <h3>{words.weight[w]}</h3>
                <ul>
                  {these.map((m) => (
                    <li key={m.text}>
                      <Touch class="want" onTouch={() => goToStage(m.stage)}>
                        {m.text}
                      </Touch>
                    </li>
                  ))}
                </ul>
              </section>
            )
          );
        })}
      </section>
      <section class="toml" aria-labelledby="toml-name">
        <h2 id="toml-name">{s.file.exists ? words.text : words.textWill}</h2>
        <p class="stage-note">
          {s.file.path}, {words.textLines(lines.length)}. {words.textNote}
        </p>
        <pre tabIndex={0} aria-labelledby="toml-name">
          {lines.map((l, i) => (
            <Line key={i} text={l} wrong={s.file.wrong.filter((f) => f.line === i + 1).map((f) => f.text).join(" ")} />
          ))}
        </pre>
      </section>
    </aside>
  );
}
