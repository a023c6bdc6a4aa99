/** What comes over the wire, under the names of the daemon's own declaration. */
import type { components } from "./wire.gen.ts";

type Schemas = components["schemas"];

export type Live = Schemas["Live"];
export type Snapshot = Schemas["Snapshot"];
export type Change = Schemas["Change"];
export type Beat = Schemas["Beat"];
export type Shed = Schemas["Shed"];
export type Engine = Schemas["Engine"];
export type State = Schemas["State"];
export type Reading = Schemas["Reading"];
export type Step = Schemas["Step"];
export type Reason = Schemas["Reason"];
export type Ask = Schemas["Ask"];
export type Alarm = Schemas["Alarm"];
export type Finding = Schemas["Finding"];
export type Bearing = Schemas["Bearing"];
export type Rest = Schemas["Rest"];
export type Energy = Schemas["Energy"];
export type Quantity = Schemas["Quantity"];
export type Reminder = Schemas["Reminder"];
export type Given = Schemas["Given"];
export type Forecast = Schemas["Forecast"];
export type Series = Schemas["Series"];
export type Bucket = Schemas["Bucket"];
export type Lanes = Schemas["Lanes"];
export type Stamp = Schemas["Stamp"];
export type Onward = Schemas["Onward"];
export type Verdict = Schemas["Verdict"];
export type PastDisposal = Schemas["PastDisposal"];
export type Summary = Schemas["Summary"];
export type Passed = Schemas["Passed"];
export type Rate = Schemas["Rate"];
export type Problem = Schemas["Problem"];
export type Phase = State["phase"];
