// The page's end of the line: messages out, messages in.

const TURNS = ["change", "step", "undo", "redo", "reset", "recall"];

export class Link extends EventTarget {
  #line = new Worker("line.js");

  constructor() {
    super();
    this.#line.onmessage = ({ data }) => this.#tell(data.is, data);
    addEventListener("pagehide", () => this.#line.postMessage({ close: true }));
    addEventListener("pageshow", ({ persisted }) => persisted && this.open());
  }

  open() {
    this.#line.postMessage({ open: new URL("live", location.href).href.replace(/^http/, "ws") });
  }

  send(message) {
    this.#line.postMessage({ send: message });
    if (TURNS.includes(message.do)) this.#tell("asked");
  }

  /** Where sound goes to: the port of the audio thread. */
  play(port) {
    this.#line.postMessage({ ring: port }, [port]);
  }

  on(name, then) {
    this.addEventListener(name, ({ detail }) => then(detail));
  }

  #tell(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail }));
  }
}
