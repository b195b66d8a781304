// aedes for the tests: listens where its only argument, a JSON text, says, and lets in whoever can connect.
import fs from "node:fs"
import http from "node:http"
import https from "node:https"
import net from "node:net"
import tls from "node:tls"
import { Aedes } from "aedes"
import { WebSocketServer, createWebSocketStream } from "ws"

const want = JSON.parse(process.argv[2])
const broker = await Aedes.createBroker({
  ...(want.queueLimit ? { queueLimit: want.queueLimit } : {}),
  ...(want.concurrency ? { concurrency: want.concurrency } : {}),
})
const secure = want.certificate && {
  ca: fs.readFileSync(want.authority),
  cert: fs.readFileSync(want.certificate),
  key: fs.readFileSync(want.key),
  requestCert: true,
  rejectUnauthorized: true,
}

function listen(server, address) {
  const [host, port] = address.split(":")
  server.listen(Number(port), host)
}

function overWeb(server) {
  new WebSocketServer({ server, handleProtocols: () => "mqtt" }).on("connection", (socket, request) =>
    broker.handle(createWebSocketStream(socket), request))
  return server
}

if (want.tcp) listen(net.createServer(broker.handle), want.tcp)
if (want.tls) listen(tls.createServer(secure, broker.handle), want.tls)
if (want.ws) listen(overWeb(http.createServer()), want.ws)
if (want.wss) listen(overWeb(https.createServer(secure)), want.wss)
process.on("SIGTERM", () => process.exit(0))
