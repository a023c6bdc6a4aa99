/** How this machine is reached: by tablets for the page, by nodes for their samples. */
import { putDoors, type DoorsPut, type Setup } from "../link/setup.ts";
import { setUpWords as words } from "../words/setup.ts";
import { hostPort, isLoopback } from "./address.ts";
import { draft, standing } from "./draft.ts";
import { refuse, write } from "./kept.ts";
import { Folded } from "./Folded.tsx";
import { OneOf, Part, Text } from "./Part.tsx";

const part = "doors";

const reach = (listen: string): string => (isLoopback(hostPort(listen).host) ? "here" : "net");
const at = (how: string, port: string): string => `${how === "here" ? "127.0.0.1" : "0.0.0.0"}:${port}`;

/** Where nodes are pointed; empty while it is this machine alone. */
function speakTo(s: Setup): string {
  if (s.doors.broker) return s.doors.broker;
  const { host, port } = hostPort(s.doors.listen ?? "");
  if (isLoopback(host)) return "";
  const hosts = host === "" || host === "0.0.0.0" || host === "::" ? s.doors.addresses : [host];
  return hosts.map((h) => `${h}, port ${port}`).join("; ");
}

export function DoorsPart({ s }: { s: Setup }) {
  const written = { page: reach(s.doors.page), nodes: s.doors.broker ? "outside" : reach(s.doors.listen ?? ""), broker: s.doors.broker ?? "" };
  const value = (k: keyof typeof written): string => standing(`${part}.${k}`, written[k]);
  const node = speakTo(s);

  const onWrite = (): void => {
    const put: { page?: string; listen?: string; broker?: string } = {};
    if (draft.value["doors.page"] !== undefined) put.page = at(value("page"), hostPort(s.doors.page).port || "8080");
    if (value("nodes") === "outside") {
      if (value("broker").trim() === "") return refuse(part, "broker", words.empty(words.heard.brokerUrl));
      if (value("broker").trim() !== written.broker) put.broker = value("broker").trim();
    } else if (draft.value["doors.nodes"] !== undefined) {
      put.listen = at(value("nodes"), hostPort(s.doors.listen ?? "").port || "1883");
    }
    if (Object.keys(put).length === 0) return refuse(part, "page", words.nothingNew);
    void write(part, `${part}.`, ["broker", "page", "nodes"], (m) => putDoors(m, put satisfies DoorsPut));
  };

  const where: Record<string, string> = { here: words.heard.here, net: words.heard.net, outside: words.heard.outside };
  const topics = s.engines.map((e) => [e.name, `sheds/${s.shed.id}/engines/${e.id}/samples`] as const);
  return (
    <section class="sub" aria-label={words.heard.doors}>
      <h3>{words.heard.doors}</h3>
      <p>{node === "" ? words.heard.speakHere(hostPort(s.doors.listen ?? "").port) : words.heard.speak(node)}</p>
      {s.shed.id !== "" && (
        <ul class="topics">
          {topics.map(([name, topic]) => (
            <li key={topic}>{words.heard.topic(name, topic)}</li>
          ))}
          <li>{words.heard.topicShed(`sheds/${s.shed.id}/samples`)}</li>
          <li>
            {words.heard.payload} <code>{'[{"n":"boiler.pressure","u":"Pa","v":512000}]'}</code>
          </li>
        </ul>
      )}
      <Folded part={part} written label={words.heard.doors} says={<p>{words.heard.saysDoors(where[written.page] ?? "", where[written.nodes] ?? "")}</p>}>
      <Part id={part} onWrite={onWrite}>
        <OneOf part={part} name="page" label={words.heard.page} hint={words.heard.pageHint} written={written.page} options={[["here", words.heard.here], ["net", words.heard.net]]} />
        <OneOf part={part} name="nodes" label={words.heard.broker} written={written.nodes} options={[["here", words.heard.here], ["net", words.heard.net], ["outside", words.heard.outside]]} />
        {value("nodes") === "outside" && <Text part={part} name="broker" label={words.heard.brokerUrl} hint={words.heard.brokerUrlHint} written={written.broker} />}
      </Part>
      </Folded>
    </section>
  );
}
