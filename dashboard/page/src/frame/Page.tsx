/** The whole page: the view of the place where a person is. */
import { useEffect } from "preact/hooks";
import { Crew } from "../crew/Crew.tsx";
import { openFirst } from "./first.ts";
import { Late } from "./Late.tsx";
import { place } from "./place.ts";

const shed = () => import("../custodian/Shed.tsx").then((m) => m.Shed);
const rings = () => import("../rings/Rings.tsx").then((m) => m.Rings);
const years = () => import("../engineer/Years.tsx").then((m) => m.Years);
const setUp = () => import("../setup/SetUp.tsx").then((m) => m.SetUp);

export function Page() {
  useEffect(openFirst, []);
  switch (place.value.view) {
    case "pit":
      return <Crew />;
    case "shed":
      return place.value.path[0] === "rings" ? <Late key="rings" fetch={rings} /> : <Late key="shed" fetch={shed} />;
    case "years":
      return <Late key="years" fetch={years} />;
    case "set-up":
      return <Late key="set-up" fetch={setUp} />;
    default:
      return place.value.view satisfies never;
  }
}
