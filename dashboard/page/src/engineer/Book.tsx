import type { PartProps } from "./part.ts";
import { engineerWords as words } from "../words/engineer.ts";

export function Book({ engine }: PartProps) {
  return <h1>{words.title(engine.name)}</h1>;
}
