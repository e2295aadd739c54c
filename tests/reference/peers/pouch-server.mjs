// A document server that speaks the CouchDB replication protocol, on LevelDB: express-pouchdb.
// node pouch-server.mjs FOLDER
import express from "express";
import expressPouch from "express-pouchdb";
import PouchDB from "pouchdb";
import { counted } from "./counted.mjs";

const Stored = PouchDB.defaults({ prefix: `${process.argv[2]}/` });
const app = express();
app.use("/", expressPouch(Stored, { mode: "minimumForPouchDB", inMemoryConfig: true, logPath: `${process.argv[2]}/log` }));
const job = new Stored("job");
await job.info();
counted(app, async () => (await job.info()).doc_count);
