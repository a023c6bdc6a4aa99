/** The fifth stage: the limits, which are the owner's. */
import { useState } from "preact/hooks";
import { Touch } from "../parts/Touch.tsx";
import { putEngine, type Setup, type SetupEngine, type SetupLimit } from "../link/setup.ts";
import { pressureUnit, temperatureUnit } from "../state/own.ts";
import { retold } from "../words/units.ts";
import { setUpWords as words, titled } from "../words/setup.ts";
import { draft } from "./draft.ts";
import { refuse, write } from "./kept.ts";
import { Part, Text } from "./Part.tsx";
import { entry, numberOf } from "./scale.ts";

/** The same figure in the person's own unit; empty where that is the file's. */
function also(v: number | null, unit: string): string {
  if (v === null || !Number.isFinite(v) || !["bar", "\u00b0C", "K"].includes(unit)) return "";
  const told = `${v} ${unit}`;
  const again = retold(told, { pressure: pressureUnit.value, temperature: temperatureUnit.value });
  return again === told ? "" : words.limits.also(again);
}

function One({ part, e, l }: { part: string; e: SetupEngine; l: SetupLimit }) {
  const written = entry(e.limits[l.key]);
  const typed = numberOf(draft.value[`${part}.${l.key}`] ?? written);
  const byDefault = e.defaults[l.key];
  const hint = [
    also(typed, l.unit),
    byDefault === undefined ? words.limits.noDefault : words.limits.default(`${entry(byDefault)} ${l.unit}`.trim()),
    words.limits.range(entry(l.min), entry(l.max), l.unit),
    words.limits.source(l.source),
  ];
  return (
    <Text
      part={part}
      name={l.key}
      label={titled(l.meaning)}
      unit={l.unit}
      decimal
      written={written}
      hint={
        <>
          <code>{l.key}</code> {hint.filter(Boolean).join(" ")}
        </>
      }
    />
  );
}

function Of({ s, e }: { s: Setup; e: SetupEngine }) {
  const part = `limits.${e.id}`;
  const [all, set] = useState(false);
  const typed = (l: SetupLimit): boolean => draft.value[`${part}.${l.key}`] !== undefined;
  const own = s.limits.filter((l) => l.owner);
  const given = s.limits.filter((l) => !l.owner && (e.limits[l.key] !== undefined || typed(l)));
  const others = s.limits.filter((l) => !own.includes(l) && !given.includes(l));

  const onWrite = (): void => {
    const limits: Record<string, number> = {};
    const unset: string[] = [];
    for (const l of s.limits) {
      const text = draft.value[`${part}.${l.key}`];
      if (text === undefined) continue;
      const v = numberOf(text);
      if (v === null) unset.push(l.key);
      else if (Number.isNaN(v)) return refuse(part, l.key, words.notNumber(titled(l.meaning)));
      else if (!(v >= l.min && v <= l.max)) return refuse(part, l.key, words.limits.outside(titled(l.meaning), entry(l.min), entry(l.max)));
      else limits[l.key] = v;
    }
    if (Object.keys(limits).length === 0 && unset.length === 0) return refuse(part, own[0]?.key ?? "", words.nothingNew);
    void write(part, `${part}.`, s.limits.map((l) => l.key), (m) => putEngine(m, e.id, { ...(Object.keys(limits).length > 0 ? { limits } : {}), ...(unset.length > 0 ? { unset } : {}) }));
  };

  return (
    <section class="sub" aria-label={e.name}>
      <h3>{e.name}</h3>
      <Part id={part} onWrite={onWrite}>
        <h4>{words.limits.owner}</h4>
        <p class="fields-note">{words.limits.ownerHint}</p>
        {own.map((l) => (
          <One key={l.key} part={part} e={e} l={l} />
        ))}
        {given.length > 0 && <h4>{words.limits.set}</h4>}
        {given.map((l) => (
          <One key={l.key} part={part} e={e} l={l} />
        ))}
        {others.length > 0 && (
          <p class="fields-note">
            <Touch expanded={all} onTouch={() => set(!all)}>
              {all ? words.limits.fewer : words.limits.others(others.length)}
            </Touch>
          </p>
        )}
        {all && others.map((l) => <One key={l.key} part={part} e={e} l={l} />)}
      </Part>
    </section>
  );
}

export function LimitsStage({ s }: { s: Setup }) {
  return (
    <>
      <p class="agree">{words.limits.agree}</p>
      {s.engines.length === 0 ? (
        <p class="later">{words.limits.none}</p>
      ) : (
        <>
          <p class="stage-note">{words.limits.units}</p>
          {s.engines.map((e) => (
            <Of key={e.id} s={s} e={e} />
          ))}
        </>
      )}
    </>
  );
}
