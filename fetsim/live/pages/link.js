// The line to the program: messages out, messages in, and again when it was cut.

const TURNS = ["change", "step", "undo", "redo", "reset", "recall"];
const AGAIN_MS = [300, 1000, 3000];

export class Link extends EventTarget {
  #socket = null;
  #tries = 0;
  #left = false;

  constructor() {
    super();
    addEventListener("pagehide", () => this.#leave());
    addEventListener("pageshow", ({ persisted }) => persisted && this.open());
  }

  open() {
    this.#left = false;
    const socket = new WebSocket(new URL("live", location.href).href.replace(/^http/, "ws"));
    socket.binaryType = "arraybuffer";
    socket.onopen = () => {
      this.#tries = 0;
      this.#tell("open");
    };
    socket.onmessage = ({ data }) => {
      if (typeof data === "string") {
        const message = JSON.parse(data);
        this.#tell(message.is, message);
      } else {
        this.#tell("sound", data);
      }
    };
    socket.onclose = () => {
      this.#tell("closed");
      if (!this.#left) setTimeout(() => this.open(), AGAIN_MS[Math.min(this.#tries++, AGAIN_MS.length - 1)]);
    };
    this.#socket = socket;
  }

  send(message) {
    if (this.#socket?.readyState !== WebSocket.OPEN) return;
    this.#socket.send(JSON.stringify(message));
    if (TURNS.includes(message.do)) this.#tell("asked");
  }

  on(name, then) {
    this.addEventListener(name, ({ detail }) => then(detail));
  }

  #tell(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail }));
  }

  #leave() {
    this.#left = true;
    this.#socket?.close();
  }
}
