/** The crew's view: one evening, one sheet. */
import { useEffect } from "preact/hooks";
import { Foot } from "../frame/Foot.tsx";
import { engine, live, now } from "../state/shown.ts";
import { useSize, useWindow } from "../parts/size.ts";
import { AlarmLine } from "./Alarms.tsx";
import { Asks } from "./Asks.tsx";
import { Head } from "./Head.tsx";
import { BeforeFire } from "./Rest.tsx";
import { Sheet } from "./Sheet.tsx";

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
        <Foot />
      </footer>
    </main>
  );
}
