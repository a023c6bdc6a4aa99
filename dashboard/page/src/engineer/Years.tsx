import { Foot } from "../frame/Foot.tsx";
import { words } from "../words/en.ts";

export function Years() {
  return (
    <main class="view">
      <h1>{words.views["years"]}</h1>
      <Foot />
    </main>
  );
}
