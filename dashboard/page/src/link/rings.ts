/** The calls of what rings. */
import type { components } from "../state/wire.gen.ts";
import { ask, call } from "./calls.ts";

type Schemas = components["schemas"];
export type Alerts = Schemas["Alerts"];
export type Choice = Schemas["AlertsChoice"];
export type Way = Schemas["AlertsWay"];
export type Letter = Schemas["AlertsLetter"];
export type Browser = Schemas["AlertsBrowser"];
export type Kind = Choice["kinds"][number];
export type Lowest = Choice["lowest"];

/** A try goes out to a far end, which has 20 s to answer. */
const tryPatienceMs = 30_000;

const of = (person: string, what = ""): string => `people/${encodeURIComponent(person)}/alerts${what}`;

export const readAlerts = async (person: string): Promise<Alerts> => (await call("GET", of(person))) as Alerts;
export const putChoice = async (person: string, choice: Choice): Promise<Alerts> => (await call("PUT", of(person), { choice })) as Alerts;
export const subscribe = async (person: string, browser: Browser): Promise<Way> => (await call("POST", of(person, "/browsers"), browser)) as Way;
/** `id` is the way's, without "push/". */
export const unsubscribe = async (person: string, id: string): Promise<Alerts> => (await call("DELETE", of(person, `/browsers/${encodeURIComponent(id)}`))) as Alerts;

export async function tryWay(person: string, way: string): Promise<Letter> {
  return (await (await ask("POST", of(person, "/test"), { way }, AbortSignal.timeout(tryPatienceMs))).json()) as Letter;
}
