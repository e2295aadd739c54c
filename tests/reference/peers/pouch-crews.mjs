// Ten crews' days as documents by record id, replicated both ways in the evening.
// node pouch-crews.mjs PORT DAYS.json turns|once; prints a line when the clock starts, one when it stops.
import fs from "node:fs";
import PouchDB from "pouchdb";
import memory from "pouchdb-adapter-memory";

PouchDB.plugin(memory);
const [port, file, how] = process.argv.slice(2);
const { morning, days } = JSON.parse(fs.readFileSync(file, "utf8"));
const url = `http://127.0.0.1:${port}/job`;
const options = { batch_size: 1000 };
const docs = (records) => records.map(([_id, text]) => ({ _id, text }));
const local = (name) => new PouchDB(name, { adapter: "memory" });
const office = local("office");
await office.bulkDocs(docs(Object.entries(morning)));
await office.replicate.to(url, options);
const crews = [];
for (const [n, day] of days.entries()) {
  const crew = local(`crew-${n}`);
  await crew.replicate.from(url, options);
  await crew.bulkDocs(docs(day.flat(1)));
  crews.push(crew);
}
console.log("begin");
process.stdin.resume();
await new Promise((done) => process.stdin.once("data", done));
const all = Object.keys(morning).length + days.flat(2).length;
const exchange = (crew) => crew.sync(url, options);
if (how === "turns") {
  for (const crew of crews) await exchange(crew);
} else {
  await Promise.all(crews.map(exchange));
  await Promise.all(crews.map(exchange));
  for (const crew of crews) {
    if ((await crew.info()).doc_count !== all) throw new Error("a crew lacks records");
  }
}
const served = (await (await fetch(`http://127.0.0.1:${port}/stats`)).json()).records;
if (served !== all) throw new Error(`the server has ${served} of ${all} records`);
console.log("end");
await new Promise((done) => process.stdin.once("data", done));
process.exit(0);
