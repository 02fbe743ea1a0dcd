// The line to the program, on a thread of its own: sound goes from it straight to the audio thread and never waits for
// what the page draws. Everything else is handed on to the page.

const AGAIN_MS = [300, 1000, 3000];
const HEADER_BYTES = 16; // first frame (double), channels, frames
const TOLD_EVERY_MS = 45; // how far the sound is; in between the program counts on

let socket = null;
let address = null; // null: the page has gone
let tries = 0;
let ring = null; // the port of the audio thread
let stream = null; // what came of the present one
let told = 0;

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
  if (message.is === "begin" || message.is === "held") ring?.postMessage({ ahead: message.ahead_s });
  if (message.is === "begin" && message.anew) {
    stream = { first: null, expected: null, gaps: 0 };
    ring?.postMessage({ reset: true });
  }
  postMessage(message);
}

function play(data) {
  if (!ring || !stream) return;
  const view = new DataView(data);
  const [first, channels, frames] = [view.getFloat64(0, true), view.getUint32(8, true), view.getUint32(12, true)];
  stream.first ??= first;
  if (stream.expected !== null && first !== stream.expected) {
    stream.gaps += 1; // blocks that never came
    stream.first += first - stream.expected;
  }
  stream.expected = first + frames;
  if (!frames) return;
  const samples = Array.from({ length: channels }, (_, k) => new Float32Array(data.slice(HEADER_BYTES + 4 * k * frames, HEADER_BYTES + 4 * (k + 1) * frames)));
  ring.postMessage({ samples }, samples.map((one) => one.buffer));
}

function listen(port) {
  ring = port;
  ring.onmessage = ({ data: { played, dropouts } }) => {
    if (!stream) return;
    const missed = dropouts + stream.gaps;
    postMessage({ is: "progress", first: stream.first, played, dropouts: missed });
    if (performance.now() - told < TOLD_EVERY_MS) return;
    told = performance.now();
    send({ do: "played", frames: played, dropouts: missed });
  };
}
