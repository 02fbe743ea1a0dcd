// The line to the program, on a thread of its own: sound goes from it straight to the audio thread and never waits for
// what the page draws. Everything else is handed on to the page.

const AGAIN_MS = [300, 1000, 3000];
const HEADER_BYTES = 28; // first frame and that of the edition (doubles), edition, channels, frames
const TOLD_EVERY_MS = 45; // how far the sound is; in between the program counts on
const LOOKED_EVERY_MS = 500; // whether time has gone by without this page
const SLEPT_MS = 3000;

let socket = null;
let address = null; // null: the page has gone
let tries = 0;
let ring = null; // the port of the audio thread
let told = { at: 0, edition: 0, refused: 0 };

let looked = Date.now();
setInterval(() => {
  const slept = Date.now() - looked;
  looked = Date.now();
  if (slept > SLEPT_MS) postMessage({ is: "slept", seconds: slept / 1000 });
}, LOOKED_EVERY_MS);

onmessage = ({ data }) => {
  if (data.open) open(data.open);
  else if (data.close) close();
  else if (data.ring) listen(data.ring);
  else send(data.send);
};

function open(at) {
  address = at;
  socket = new WebSocket(at);
  socket.binaryType = "arraybuffer";
  socket.onopen = () => {
    tries = 0;
    postMessage({ is: "open" });
  };
  socket.onmessage = ({ data }) => (typeof data === "string" ? take(JSON.parse(data)) : play(data));
  socket.onclose = () => {
    postMessage({ is: "closed" });
    if (address) setTimeout(() => address && open(address), AGAIN_MS[Math.min(tries++, AGAIN_MS.length - 1)]);
  };
}

function close() {
  address = null;
  socket?.close();
}

function send(message) {
  if (socket?.readyState === WebSocket.OPEN) socket.send(JSON.stringify(message));
}

function take(message) {
  if (message.is === "begin" && message.anew) ring?.postMessage({ reset: true });
  postMessage(message);
}

function play(data) {
  if (!ring) return;
  const view = new DataView(data);
  const [first, since] = [view.getFloat64(0, true), view.getFloat64(8, true)];
  const [edition, channels, frames] = [16, 20, 24].map((at) => view.getUint32(at, true));
  if (!frames) return;
  const samples = Array.from({ length: channels }, (_, k) => new Float32Array(data.slice(HEADER_BYTES + 4 * k * frames, HEADER_BYTES + 4 * (k + 1) * frames)));
  ring.postMessage({ first, since, edition, samples }, samples.map((one) => one.buffer));
}

function listen(port) {
  ring = port;
  ring.onmessage = ({ data: { frame, dropouts, silent, edition, refused } }) => {
    postMessage({ is: "progress", frame, dropouts, silent });
    const now = performance.now();
    if (now - told.at < TOLD_EVERY_MS && edition === told.edition && refused === told.refused) return;
    told = { at: now, edition, refused };
    send({ do: "played", frame, dropouts, edition, refused });
  };
}
