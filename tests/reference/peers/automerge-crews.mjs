// Ten crews' days as an automerge-repo document: records by id, one change a tree, exchanged in the evening.
// node automerge-crews.mjs PORT DAYS.json turns|once; prints a line when the clock starts, one when it stops.
import fs from "node:fs";
import * as A from "@automerge/automerge";
import { Repo, generateAutomergeUrl, parseAutomergeUrl } from "@automerge/automerge-repo";
import { WebSocketClientAdapter } from "@automerge/automerge-repo-network-websocket";

const [port, file, how] = process.argv.slice(2);
const url = `ws://127.0.0.1:${port}`;
const { morning, days } = JSON.parse(fs.readFileSync(file, "utf8"));
const all = Object.keys(morning).length + days.flat(2).length;
const sleep = (ms) => new Promise((done) => setTimeout(done, ms));
const until = async (what, pause = 5) => {
  while (!(await what())) await sleep(pause);
};
// Counting costs the server: it is asked seldom, and only when the crew has all.
const SELDOM = 500;
const at = generateAutomergeUrl();
const { documentId } = parseAutomergeUrl(at);
const base = A.save(A.change(A.init(), (doc) => Object.assign(doc, morning)));
const device = (peerId) => {
  const repo = new Repo({ network: [], peerId });
  return { repo, handle: repo.import(base, { docId: documentId }) };
};
const connect = ({ repo }) => repo.networkSubsystem.addNetworkAdapter(new WebSocketClientAdapter(url));
const holds = ({ handle }) => Object.keys(handle.doc() ?? {}).length;
// A line that is closed while it is asked says nothing; it is asked again.
const served = () =>
  fetch(`http://127.0.0.1:${port}/stats`).then((answer) => answer.json()).then((said) => said.records, () => -1);

const office = device("office");
connect(office);
await until(async () => (await served()) === Object.keys(morning).length, SELDOM);
await office.repo.shutdown();
const crews = days.map((day, n) => {
  const crew = device(`crew-${n}`);
  for (const tree of day) crew.handle.change((doc) => tree.forEach(([id, text]) => (doc[id] = text)));
  return crew;
});
console.log("begin");
process.stdin.resume();
await new Promise((done) => process.stdin.once("data", done));
let have = Object.keys(morning).length;
if (how === "turns") {
  for (const [n, crew] of crews.entries()) {
    have += days[n].flat(1).length;
    connect(crew);
    await until(() => holds(crew) === have);
    await until(async () => (await served()) === have, SELDOM);
    await crew.repo.shutdown();
  }
} else {
  crews.forEach(connect);
  await until(() => crews.every((crew) => holds(crew) === all), 50);
  await until(async () => (await served()) === all, SELDOM);
}
console.log("end");
await new Promise((done) => process.stdin.once("data", done));
process.exit(0);
