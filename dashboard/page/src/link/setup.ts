/** The calls of setting up. A refusal keeps what it speaks of, so that it can stand at the field. */
import type { components } from "../state/wire.gen.ts";
import type { Problem, State } from "../state/wire.ts";
import { setUpWords as words } from "../words/setup.ts";

type Schemas = components["schemas"];
export type Setup = Schemas["Setup"];
export type SetupEngine = Schemas["SetupEngine"];
export type SetupChannel = Schemas["SetupChannel"];
export type SetupKnown = Schemas["SetupKnown"];
export type SetupLimit = Schemas["SetupLimit"];
export type SetupNode = Schemas["SetupNode"];
export type SetupSend = Schemas["SetupSend"];
export type SetupRefusal = Schemas["SetupRefusal"];
export type SetupDevice = Schemas["SetupDevice"];
export type SetupCalibration = Schemas["SetupCalibration"];
export type SetupCalibrated = Schemas["SetupCalibrated"];
export type SetupPointPost = Schemas["SetupPointPost"];
export type ShedPut = Omit<Schemas["SetupShedPut"], "hash" | "by">;
export type DoorsPut = Omit<Schemas["SetupDoorsPut"], "hash" | "by">;
export type EnginePut = Omit<Schemas["SetupEnginePut"], "hash" | "by">;
export type ChannelSet = Schemas["SetupChannelSet"];

/** Why the daemon did not write something. */
export class NotWritten extends Error {
  /** The last part of the problem's type, for example "file-changed"; empty where nothing was answered. */
  readonly kind: string;
  /** What is wrong, without the mend. */
  readonly detail: string;
  readonly mend: string;

  constructor(kind: string, detail: string, mend: string) {
    super([detail, mend].filter(Boolean).join(" "));
    this.kind = kind;
    this.detail = detail;
    this.mend = mend;
  }
}

/** A reading of what is set up that has no answer after this long is given up. */
const readPatienceMs = 8_000;
/** A change is answered once the daemon runs by it: opening a store and its doors takes longer. */
const writePatienceMs = 30_000;

const base = new URL("api/v1/", document.baseURI);

async function call(method: string, path: string, body?: object): Promise<unknown> {
  let answer: Response;
  try {
    answer = await fetch(new URL(path, base), {
      method,
      signal: AbortSignal.timeout(method === "GET" ? readPatienceMs : writePatienceMs),
      ...(body === undefined ? {} : { headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) }),
    });
  } catch {
    throw new NotWritten("", words.noAnswer, "");
  }
  let read: unknown;
  try {
    read = await answer.json();
  } catch {
    throw new NotWritten("", words.noSense(answer.status), "");
  }
  if (answer.ok) return read;
  const p = read as Partial<Problem>;
  throw new NotWritten((p.type ?? "").split("/").at(-1) ?? "", p.detail ?? p.title ?? words.noSense(answer.status), p.mend ?? "");
}

/** Where a channel is: an engine's id, or empty for the shed's air. */
const channelPath = (engine: string, channel: string): string =>
  `setup/${engine === "" ? "shed" : `engines/${encodeURIComponent(engine)}`}/channels/${encodeURIComponent(channel)}`;
const engineAt = (engine: string): string => `setup/engines/${encodeURIComponent(engine)}`;
const gone = (hash: string, by: string): string => `?${new URLSearchParams({ hash, ...(by ? { by } : {}) }).toString()}`;

/** A change: it is made from the text with this hash, by this person. */
export interface Made {
  readonly hash: string;
  readonly by: string;
}
const made = (m: Made): object => ({ hash: m.hash, ...(m.by ? { by: m.by } : {}) });

export const readSetup = async (): Promise<Setup> => (await call("GET", "setup")) as Setup;
export const putShed = async (m: Made, put: ShedPut): Promise<Setup> => (await call("PUT", "setup/shed", { ...put, ...made(m) })) as Setup;
export const putDoors = async (m: Made, put: DoorsPut): Promise<Setup> => (await call("PUT", "setup/doors", { ...put, ...made(m) })) as Setup;
export const putEngine = async (m: Made, engine: string, put: EnginePut): Promise<Setup> =>
  (await call("PUT", engineAt(engine), { ...put, ...made(m) })) as Setup;
export const deleteEngine = async (m: Made, engine: string): Promise<Setup> => (await call("DELETE", engineAt(engine) + gone(m.hash, m.by))) as Setup;
export const putChannel = async (m: Made, engine: string, channel: string, set: ChannelSet): Promise<Setup> =>
  (await call("PUT", channelPath(engine, channel), { ...made(m), set })) as Setup;
export const deleteChannel = async (m: Made, engine: string, channel: string): Promise<Setup> =>
  (await call("DELETE", channelPath(engine, channel) + gone(m.hash, m.by))) as Setup;

/** Fits zero and span; `trial` keeps nothing. */
export async function calibrate(m: Made, engine: string, channel: string, points: readonly SetupPointPost[], reference: string, trial: boolean): Promise<SetupCalibrated> {
  const body = { ...made(m), by: m.by, points, ...(reference ? { reference } : {}), ...(trial ? { trial } : {}) };
  return (await call("POST", `${channelPath(engine, channel)}/calibration`, body)) as SetupCalibrated;
}
export const deleteCalibration = async (m: Made, engine: string, channel: string): Promise<Setup> =>
  (await call("DELETE", `${channelPath(engine, channel)}/calibration${gone(m.hash, m.by)}`)) as Setup;

export const reload = async (by: string): Promise<Setup> => (await call("POST", "setup/reload", by ? { by } : {})) as Setup;
export const rehearse = async (engine: string, speed: number, fault: string): Promise<Setup> =>
  (await call("POST", "setup/rehearsal", { engine, speed, ...(fault ? { fault } : {}) })) as Setup;
export const endRehearsal = async (): Promise<Setup> => (await call("DELETE", "setup/rehearsal")) as Setup;

/** The channels of a running engine as they are now: cheaper than the whole of set-up, for a reading taken over seconds. */
export const channelsNow = async (engine: string): Promise<State["channels"]> =>
  ((await call("GET", `engines/${encodeURIComponent(engine)}/state`)) as State).channels;
