/** The crew's view: one evening, one sheet. */
import { useEffect } from "preact/hooks";
import { ground } from "../state/own.ts";
import { engine, engineId, live, now } from "../state/shown.ts";
import { useSize, useWindow } from "../parts/size.ts";
import { words } from "../words/en.ts";
import { AlarmLine } from "./Alarms.tsx";
import { Asks } from "./Asks.tsx";
import { Head } from "./Head.tsx";
import { BeforeFire } from "./Rest.tsx";
import { Sheet } from "./Sheet.tsx";

/** The page on which every rule stands, with this engine's values and on the same ground. */
const rulesAt = (id: string, on: string): string => `rules?${new URLSearchParams({ ...(id ? { engine: id } : {}), ground: on }).toString()}`;

export function Crew() {
  const [head, headSize] = useSize<HTMLElement>();
  const [foot, footSize] = useSize<HTMLElement>();
  const page = useWindow();
  const name = engine.value?.name;
  const drawn = now.value !== null && engine.value !== null;
  const wide = drawn && page.width > 62 * page.rem;
  useEffect(() => {
    document.title = name ? `${name}, Ashlamp` : "Ashlamp";
  }, [name]);
  return (
    <main class={`crew${live.value ? "" : " crew-lost"}`}>
      <header ref={head}>
        <Head wide={wide} phone={page.width < 37.5 * page.rem} />
        <AlarmLine />
        <BeforeFire />
      </header>
      {drawn ? (
        <Sheet room={page.height - headSize.height - footSize.height} rem={page.rem} width={page.width} wide={wide} />
      ) : (
        <div class="no-sheet" />
      )}
      <footer ref={foot}>
        <Asks />
        <p class="advice">
          {words.advice} <a href={rulesAt(engineId.value, ground.value)}>{words.rules}</a>
        </p>
      </footer>
    </main>
  );
}
