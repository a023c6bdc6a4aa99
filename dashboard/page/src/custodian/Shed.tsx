import { Foot } from "../frame/Foot.tsx";
import { words } from "../words/en.ts";

export function Shed() {
  return (
    <main class="view">
      <h1>{words.views["shed"]}</h1>
      <Foot />
    </main>
  );
}
