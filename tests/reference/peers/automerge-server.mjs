// An automerge-repo sync server as its own documentation sets one up: a folder and a web socket.
// node automerge-server.mjs FOLDER
import { Repo } from "@automerge/automerge-repo";
import { WebSocketServerAdapter } from "@automerge/automerge-repo-network-websocket";
import { NodeFSStorageAdapter } from "@automerge/automerge-repo-storage-nodefs";
import { WebSocketServer } from "ws";
import { counted } from "./counted.mjs";

const sockets = new WebSocketServer({ noServer: true });
const repo = new Repo({
  network: [new WebSocketServerAdapter(sockets)],
  storage: new NodeFSStorageAdapter(process.argv[2]),
  peerId: "server",
  sharePolicy: async () => false,
});
const records = () =>
  Object.values(repo.handles).reduce((sum, h) => sum + (h.isReady() ? Object.keys(h.doc() ?? {}).length : 0), 0);
const server = counted((_, response) => response.end(), records);
server.on("upgrade", (request, socket, head) =>
  sockets.handleUpgrade(request, socket, head, (client) => sockets.emit("connection", client, request)),
);
