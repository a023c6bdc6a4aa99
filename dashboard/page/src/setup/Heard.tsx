/** The third stage: what is heard, and which channel each is. */
import { useState } from "preact/hooks";
import { Touch } from "../parts/Touch.tsx";
import { putChannel, putEngine, type ChannelSet, type Setup, type SetupChannel, type SetupEngine, type SetupSend } from "../link/setup.ts";
import { pressureUnit, temperatureUnit } from "../state/own.ts";
import { lasting } from "../words/clock.ts";
import { setUpWords as words, titled } from "../words/setup.ts";
import { Alter } from "./Alter.tsx";
import { Assign, keyOfSource, type Source } from "./Assign.tsx";
import { DoorsPart } from "./Doors.tsx";
import { type as typed } from "./draft.ts";
import { Figure, judgedOf, judgedSend } from "./Figure.tsx";
import { daemonNow, fates, write } from "./kept.ts";
import { goToStage } from "./Stage.tsx";
import { scaleOf } from "./scale.ts";

const own = () => ({ pressure: pressureUnit.value, temperature: temperatureUnit.value });
const ago = (t: string): string => lasting(Math.max(0, ((daemonNow.value ?? Date.parse(t)) - Date.parse(t)) / 1000));

/** A send that has no channel yet, with the node that it came from. */
interface Untaken {
  readonly node: string;
  readonly send: SetupSend;
}

/** What came and is no channel, the newest sender first. */
export const untaken = (s: Setup): readonly Untaken[] => s.nodes.flatMap((n) => n.sends.filter((x) => !x.taken).map((send) => ({ node: n.id, send })));

/** Whether a send only wants its channel: its topic names this shed, and an engine of the file or the shed's air. */
export const ready = (s: Setup, send: SetupSend): boolean => send.shed === s.shed.id && (send.engine === "" || s.engines.some((e) => e.id === send.engine));

const contract: ChannelSet = { source: "contract" };

function UntakenRow({ s, of }: { s: Setup; of: Untaken }) {
  const { send, node } = of;
  const part = `assign.take ${send.topic} ${send.id}`;
  const fate = fates.value[part];
  const engine = s.engines.find((e) => e.id === send.engine);
  const whose = send.engine === "" ? words.theShed : (engine?.name ?? send.engine);
  const take = (): void => void write(part, "", [], (m) => putChannel(m, send.engine, send.id, contract));
  return (
    <li class="heard-row">
      <span class="heard-name">
        {titled(words.channel(send.id))} <small>{send.id}</small>
      </span>
      <Figure of={judgedSend(send)} scale={scaleOf(send.id, send.unit, own())} />
      <span class="heard-from">
        {words.heard.from(node)}, {send.topic}
        {send.interval_s > 0 && `, ${words.heard.every(String(Math.round(send.interval_s * 10) / 10))}`}
      </span>
      <span class="heard-do">
        {ready(s, send) ? (
          <button type="button" class="writes" aria-disabled={fate?.how === "sending" ? "true" : undefined} onClick={take}>
            {fate?.how === "sending" ? words.writing : words.heard.takeAs(`${whose}, ${words.channel(send.id)}`)}
          </button>
        ) : send.shed !== s.shed.id ? (
          <span>
            {s.shed.id === "" ? words.heard.noShed(send.shed) : words.heard.otherShed(send.shed, s.shed.id)}{" "}
            <Touch
              onTouch={() => {
                typed("shed.id", send.shed, s.shed.id);
                goToStage("shed");
              }}
            >
              {words.heard.takeShed(send.shed)}
            </Touch>
          </span>
        ) : (
          <span>
            {words.heard.otherEngine(send.engine)}{" "}
            <Touch
              onTouch={() => {
                typed("new.id", send.engine);
                goToStage("engine");
              }}
            >
              {words.heard.nameIt(send.engine)}
            </Touch>
          </span>
        )}
        {fate?.how === "refused" && (
          <span class="wrong" role="alert">
            {fate.text}
          </span>
        )}
      </span>
    </li>
  );
}

/** All that an engine's nodes send, taken at once. */
function TakeAll({ e, sends }: { e: SetupEngine; sends: readonly SetupSend[] }) {
  const part = `assign.all ${e.id}`;
  const fate = fates.value[part];
  const channels = [...new Set(sends.map((x) => x.id))].map((id) => ({ id, set: contract }));
  return (
    <p class="heard-all">
      <button type="button" class="writes" onClick={() => void write(part, "", [], (m) => putEngine(m, e.id, { channels }))}>
        {fate?.how === "sending" ? words.writing : words.heard.takeAll(channels.length, e.name)}
      </button>
      {fate?.how === "refused" && (
        <span class="wrong" role="alert">
          {fate.text}
        </span>
      )}
    </p>
  );
}

/** A source that is opened to be made a channel of. */
function Assignable({ s, source, name, children }: { s: Setup; source: Source; name: string; children?: preact.ComponentChildren }) {
  const [open, set] = useState(false);
  const can = s.engines.length > 0;
  return (
    <li class="heard-row">
      <span class="heard-name">{name}</span>
      {children}
      <span class="heard-do">
        {can ? (
          <Touch expanded={open} label={open ? words.heard.close : words.heard.assignWhich(name)} onTouch={() => set(!open)}>
            {open ? words.heard.close : words.heard.assign}
          </Touch>
        ) : (
          words.heard.needsEngine
        )}
      </span>
      {open && can && <Assign s={s} source={source} onDone={() => set(false)} />}
    </li>
  );
}

function ChannelRow({ s, engine, c }: { s: Setup; engine: string; c: SetupChannel }) {
  const [open, set] = useState(false);
  const name = titled(words.channel(c.id));
  const from = c.source === "mapped" ? (c.mapped?.topic ?? "") : c.source === "wired" ? [c.wired?.bus, c.wired?.chip].filter(Boolean).join(", ") : (c.topic ?? "");
  return (
    <li class="heard-row">
      <span class="heard-name">
        {name} <small>{c.id}</small>
      </span>
      <Figure of={judgedOf(c)} scale={scaleOf(c.id, c.unit, own())} spread />
      <span class="heard-from">
        {words.heard.sources[c.source]}
        {from && `, ${from}`}
      </span>
      <span class="heard-do">
        <Touch expanded={open} label={open ? words.heard.close : words.heard.alterWhich(words.channel(c.id))} onTouch={() => set(!open)}>
          {open ? words.heard.close : words.heard.alter}
        </Touch>
      </span>
      {open && <Alter s={s} engine={engine} c={c} />}
    </li>
  );
}

function ChannelsOf({ s, e }: { s: Setup; e: SetupEngine }) {
  const own = e.channels;
  const wants = e.wants.filter((w) => w.steps.length > 0 && !w.channel.startsWith("ambient."));
  return (
    <section class="sub" aria-label={words.heard.channelsOf(e.name)}>
      <h3>{words.heard.channelsOf(e.name)}</h3>
      <ul class="sources">
        {own.map((c) => (
          <ChannelRow key={c.id} s={s} engine={e.id} c={c} />
        ))}
        {wants.map((w) => (
          <li key={w.channel} class="heard-row heard-wanted">
            <span class="heard-name">
              {titled(words.channel(w.channel))} <small>{w.channel}</small>
            </span>
            <span class="now-none">{words.heard.notMeasured}</span>
            <span class="heard-from">{words.heard.without(words.steps(w.steps))}</span>
          </li>
        ))}
      </ul>
    </section>
  );
}

export function HeardStage({ s }: { s: Setup }) {
  const fresh = untaken(s);
  const all = s.engines
    .map((e) => ({ e, sends: fresh.filter((f) => f.send.engine === e.id && f.send.shed === s.shed.id).map((f) => f.send) }))
    .filter((x) => x.sends.length > 1);
  const wires = s.buses.flatMap((b) => b.devices.map((d) => ({ b, d })));
  return (
    <>
      <DoorsPart s={s} />

      <section class="sub" aria-label={words.heard.fresh}>
        <h3>{words.heard.fresh}</h3>
        {s.nodes.length === 0 && s.refused.length === 0 ? (
          <p class="later">{words.heard.nothing}</p>
        ) : (
          fresh.length === 0 && <p class="later">{words.heard.freshNone}</p>
        )}
        {all.map(({ e, sends }) => (
          <TakeAll key={e.id} e={e} sends={sends} />
        ))}
        <ul class="sources">
          {fresh.map((f) => (
            <UntakenRow key={`${f.node} ${f.send.topic} ${f.send.id}`} s={s} of={f} />
          ))}
        </ul>
        {s.nodes.length > 0 && (
          <ul class="nodes">
            {s.nodes.map((n) => (
              <li key={n.id}>
                {titled(words.heard.from(n.id))}: {[n.up === undefined ? "" : n.up ? words.heard.up : words.heard.down, words.heard.silent(ago(n.last))].filter(Boolean).join(", ")}
              </li>
            ))}
          </ul>
        )}
      </section>

      {s.refused.length > 0 && (
        <section class="sub" aria-label={words.heard.refused}>
          <h3>{words.heard.refused}</h3>
          {s.refused.map((r) => (
            <div key={`${r.topic} ${r.node}`} class="refused">
              <p>
                <strong>{r.topic}</strong> <small>{[r.node, words.heard.refusedTimes(r.times, ago(r.last))].filter(Boolean).join(", ")}</small>
              </p>
              <p>{words.sentence(r.why)}</p>
              {r.payload && <p class="refused-payload">{words.heard.payloadOf(r.payload)}</p>}
              <ul class="sources">
                {r.numbers.map((x) => {
                  const source: Source = { kind: "mapped", topic: r.topic, pointer: x.pointer, node: r.node };
                  return <Assignable key={keyOfSource(source)} s={s} source={source} name={words.heard.number(x.pointer, String(x.value))} />;
                })}
              </ul>
              {r.numbers.length === 0 && <p class="later">{words.heard.noNumbers}</p>}
            </div>
          ))}
        </section>
      )}

      <section class="sub" aria-label={words.heard.wires}>
        <h3>{words.heard.wires}</h3>
        {s.buses.length === 0 && s.troubles.length === 0 && <p class="later">{words.heard.noWires}</p>}
        {s.troubles.map((t) => (
          <p key={t} class="later">
            {words.sentence(t)}
          </p>
        ))}
        {s.buses.map((b) => b.trouble && <p key={b.name} class="later">{`${b.name}: ${words.sentence(b.trouble)}`}</p>)}
        <ul class="sources">
          {wires.map(({ b, d }) => {
            const name = words.heard.device(`0x${d.address.toString(16)}`, d.name || words.heard.unknownDevice);
            const about = [d.serves ?? "", d.used.length > 0 ? words.heard.used(words.list(d.used)) : ""].filter(Boolean).join("; ");
            if (d.kind !== "ads1115" && d.kind !== "mcp9600" && d.kind !== "mcp9601") {
              return (
                <li key={`${b.name} ${d.address}`} class="heard-row">
                  <span class="heard-name">{name}</span>
                  <span class="heard-from">{about}</span>
                </li>
              );
            }
            return (
              <Assignable key={`${b.name} ${d.address}`} s={s} source={{ kind: "wired", bus: b.name, chip: d.kind, address: d.address }} name={name}>
                <span class="heard-from">{about}</span>
              </Assignable>
            );
          })}
        </ul>
      </section>

      {s.engines.map((e) => (
        <ChannelsOf key={e.id} s={s} e={e} />
      ))}
      {s.shed.id !== "" && s.channels.length > 0 && (
        <section class="sub" aria-label={words.heard.channelsShed}>
          <h3>{words.heard.channelsShed}</h3>
          <ul class="sources">
            {s.channels.map((c) => (
              <ChannelRow key={c.id} s={s} engine="" c={c} />
            ))}
          </ul>
        </section>
      )}
    </>
  );
}
