import { Foot } from "../frame/Foot.tsx";
import { words } from "../words/en.ts";

export function SetUp() {
  return (
    <main class="view">
      <h1>{words.views["set-up"]}</h1>
      <Foot />
    </main>
  );
}
