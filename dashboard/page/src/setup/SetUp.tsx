/** Setting up: one written sheet that is worked down, and at its side what is still missing. */
import { useEffect } from "preact/hooks";
import { Foot } from "../frame/Foot.tsx";
import { Touch } from "../parts/Touch.tsx";
import { reload, type Setup } from "../link/setup.ts";
import { person } from "../state/own.ts";
import { lasting } from "../words/clock.ts";
import { setUpWords as words } from "../words/setup.ts";
import "../style/setup.css";
import { draft, standing, type as typed } from "./draft.ts";
import { EnginesStage } from "./Engines.tsx";
import { GaugeStage } from "./Gauge.tsx";
import { HeardStage } from "./Heard.tsx";
import { alive, by, fates, keepSetUp, quietS, setup, trouble, write } from "./kept.ts";
import { LimitsStage } from "./Limits.tsx";
import { missing as missingOf } from "./missing.ts";
import { RehearseStage } from "./Rehearse.tsx";
import { ShedStage } from "./Shed.tsx";
import { Side, sideId } from "./Side.tsx";
import { Stage } from "./Stage.tsx";

function Who({ s }: { s: Setup }) {
  return (
    <div class="field at-sheet">
      <label for="set-up-by">{words.who}</label>
      <input id="set-up-by" type="text" autocomplete="name" value={standing("by", person.value)} list="set-up-people" aria-describedby="set-up-by-hint" onInput={(e) => typed("by", e.currentTarget.value, person.value)} />
      <datalist id="set-up-people">
        {s.shed.people.map((p) => (
          <option key={p} value={p} />
        ))}
      </datalist>
      <span class="hint" id="set-up-by-hint">
        {words.whoHint}
      </span>
    </div>
  );
}

/** How the daemon and its file stand. */
function How({ s }: { s: Setup }) {
  const fate = fates.value["reload"];
  return (
    <div class="how">
      <p class="how-now">
        {s.daemon.trouble ? words.runs(s.daemon.trouble) : s.daemon.state === "running" ? words.running : s.daemon.state === "starting" ? words.starting : words.first}
      </p>
      <p class="stage-note">{s.file.exists ? words.file(s.file.path) : words.fileNotYet(s.file.path)}</p>
      {s.file.changed && (
        <div class="changed">
          <p>
            <strong>{words.handChanged}</strong> {s.file.wrong.length > 0 && words.handWrong}
          </p>
          <ul>
            {s.file.wrong.map((f) => (
              <li key={`${f.line} ${f.text}`}>
                {words.line(f.line)}: {words.sentence(f.text)}
              </li>
            ))}
          </ul>
          <button type="button" class="writes" onClick={() => void write("reload", "", [], () => reload(by.value), words.takenUp)}>
            {words.takeUp}
          </button>
        </div>
      )}
      <p class={fate?.how === "refused" ? "said said-refused" : "said"} role="status">
        {fate && fate.how !== "sending" ? fate.text : ""}
      </p>
    </div>
  );
}

function Cautions() {
  return (
    <section class="first-use" aria-labelledby="first-use-name">
      <h2 id="first-use-name">{words.cautionsName}</h2>
      <ul>
        {words.firstUse.map((c) => (
          <li key={c}>{c}</li>
        ))}
      </ul>
    </section>
  );
}

export function SetUp() {
  useEffect(keepSetUp, []);
  useEffect(() => {
    document.title = `${words.title}, Ashlamp`;
  }, []);
  const s = setup.value;
  const lacks = s ? missingOf(s, draft.value) : [];
  const named = s !== null && s.shed.id !== "";
  const engine = s !== null && s.engines.length > 0;
  return (
    <main class="view set-up">
      <header class="set-up-head">
        <h1>{words.title}</h1>
        {s && (
          <Touch
            class="set-up-count"
            onTouch={() => {
              document.getElementById(sideId)?.scrollIntoView({ block: "start" });
              document.getElementById(`${sideId}-name`)?.focus({ preventScroll: true });
            }}
          >
            {words.sideCount(lacks.length)}
          </Touch>
        )}
      </header>
      <p class={s && !alive.value ? "quiet" : "aloud"} role="status">
        {s && !alive.value ? words.lost(lasting(quietS.value)) : ""}
      </p>
      {!s ? (
        <>
          <p role="status">{trouble.value ? words.notSetUpHere(trouble.value) : words.waiting}</p>
          <Cautions />
        </>
      ) : (
        <div class="set-up-columns">
          <div class="stages">
            <How s={s} />
            <Cautions />
            <Who s={s} />
            <Stage id="shed" missing={lacks} begun>
              <ShedStage s={s} />
            </Stage>
            <Stage id="engine" missing={lacks} begun={named}>
              <EnginesStage s={s} />
            </Stage>
            <Stage id="heard" missing={lacks} begun={engine}>
              <HeardStage s={s} />
            </Stage>
            <Stage id="gauge" missing={lacks} begun={s.engines.some((e) => e.channels.length > 0)}>
              <GaugeStage s={s} />
            </Stage>
            <Stage id="limits" missing={lacks} begun={engine}>
              <LimitsStage s={s} />
            </Stage>
            <Stage id="rehearse" missing={lacks} begun={engine}>
              <RehearseStage s={s} />
            </Stage>
          </div>
          <Side s={s} missing={lacks} />
        </div>
      )}
      <Foot />
    </main>
  );
}
