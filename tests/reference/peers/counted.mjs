// An HTTP server that counts the bytes of every connection it had, both ways, and says so on /stats.
import http from "node:http";

export function counted(handler, count) {
  let [up, down] = [0, 0];
  const open = new Set();
  const server = http.createServer(async (request, response) => {
    if (request.url !== "/stats") return handler(request, response);
    const live = [...open].reduce((sum, s) => [sum[0] + s.bytesRead, sum[1] + s.bytesWritten], [0, 0]);
    response.end(JSON.stringify({ up: up + live[0], down: down + live[1], records: await count() }));
  });
  server.on("connection", (socket) => {
    open.add(socket);
    socket.on("close", () => {
      open.delete(socket);
      up += socket.bytesRead;
      down += socket.bytesWritten;
    });
  });
  server.listen(0, "127.0.0.1", () => console.log(JSON.stringify({ port: server.address().port })));
  return server;
}
