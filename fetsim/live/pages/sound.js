// The sound: what comes over the line goes into the buffer of the audio thread, then through the level control.

import { byId, decibelsToGain, say } from "./dom.js";

const HEADER_BYTES = 16; // first frame (double), channels, frames
const FADE_S = 0.05;
const FIRST_FADE_S = 1.5; // the first sound of a visit comes up slowly
const TOLD_EVERY_MS = 20;

export class Sound extends EventTarget {
  constructor(link) {
    super();
    this.link = link;
    this.state = "stopped"; // stopped, opening, playing
    this.levelDb = -30;
    this.matchDb = 0;
    this.first = null; // frame of the session that the stream began with
    this.expected = null;
    this.played = 0;
    this.dropouts = 0;
    this.gaps = 0; // blocks that never came
    this.node = null;
    link.on("hello", (hello) => (this.hello = hello));
    link.on("sound", (data) => this.#take(data));
    link.on("begin", ({ anew, ahead_s: ahead }) => this.#begin(anew, ahead));
    link.on("held", ({ ahead_s: ahead }) => this.node?.port.postMessage({ ahead }));
    link.on("taken", ({ text }) => {
      this.#stop();
      say(text);
    });
    link.on("closed", () => this.#stop());
    this.lastTold = 0;
  }

  /** Frame of the session's output that is heard now. */
  get frame() {
    return this.first === null ? null : this.first + this.played;
  }

  async toggle() {
    if (this.state === "stopped") await this.play();
    else this.pause();
  }

  async play() {
    if (this.state !== "stopped" || !this.hello) return;
    this.#become("opening");
    try {
      await this.#open();
    } catch (error) {
      say(`Cannot play: ${error.message}`);
      this.#become("stopped");
      return;
    }
    this.link.send({ do: "play" });
    this.#become("playing");
  }

  pause() {
    this.link.send({ do: "pause" });
    this.#stop();
  }

  setLevel(db) {
    this.levelDb = db;
    this.#ramp(FADE_S);
  }

  /** Gain that brings what is heard to the loudness of the others. */
  setMatch(db) {
    this.matchDb = db;
    this.#ramp(FADE_S);
  }

  async #open() {
    if (!this.node) {
      const { rate_hz: sampleRate, channels } = this.hello;
      this.context = new AudioContext({ sampleRate, latencyHint: "interactive" });
      await this.context.audioWorklet.addModule("worklet.js");
      this.node = new AudioWorkletNode(this.context, "ring", {
        numberOfInputs: 0, outputChannelCount: [channels], processorOptions: { channels },
      });
      this.gain = new GainNode(this.context, { gain: 0 });
      this.node.connect(this.gain).connect(this.context.destination);
      this.node.port.onmessage = ({ data }) => this.#played(data);
      this.#ramp(FIRST_FADE_S);
    }
    await this.context.resume();
  }

  #ramp(seconds) {
    if (!this.gain) return;
    const target = decibelsToGain(this.levelDb + this.matchDb);
    this.gain.gain.setTargetAtTime(target, this.context.currentTime, seconds / 4);
  }

  #begin(anew, ahead) {
    this.node?.port.postMessage({ ahead });
    if (!anew) return;
    this.first = this.expected = null;
    this.played = this.dropouts = this.gaps = 0;
    this.node?.port.postMessage({ reset: true });
  }

  #take(data) {
    if (!this.node) return;
    const view = new DataView(data);
    const [first, channels, frames] = [view.getFloat64(0, true), view.getUint32(8, true), view.getUint32(12, true)];
    if (this.first === null) this.first = first;
    if (this.expected !== null && first !== this.expected) {
      this.gaps += 1;
      this.first += first - this.expected;
    }
    this.expected = first + frames;
    if (!frames) return;
    const samples = Array.from({ length: channels }, (_, k) => new Float32Array(data.slice(HEADER_BYTES + 4 * k * frames, HEADER_BYTES + 4 * (k + 1) * frames)));
    this.node.port.postMessage({ samples }, samples.map((one) => one.buffer));
  }

  #played({ played, dropouts, ready }) {
    this.played = played;
    this.dropouts = dropouts;
    this.ready = ready;
    const now = performance.now();
    if (this.state !== "playing" || now - this.lastTold < TOLD_EVERY_MS) return;
    this.lastTold = now;
    this.link.send({ do: "played", frames: played, dropouts: dropouts + this.gaps });
    this.dispatchEvent(new CustomEvent("played"));
  }

  #stop() {
    this.context?.suspend();
    this.#become("stopped");
  }

  #become(state) {
    this.state = state;
    byId("play").textContent = state === "stopped" ? "Play" : "Pause";
    this.dispatchEvent(new CustomEvent("change"));
  }
}
