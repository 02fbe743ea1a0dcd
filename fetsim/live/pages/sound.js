// What is heard: the audio thread, the level, and how far it has come.

import { byId, decibelsToGain, say } from "./dom.js";

const FADE_S = 0.05;
const FIRST_FADE_S = 1.5; // the first sound of a visit comes up slowly

export class Sound extends EventTarget {
  constructor(link) {
    super();
    this.link = link;
    this.state = "stopped"; // stopped, opening, playing
    this.levelDb = -30;
    this.matchDb = 0;
    this.frame = null; // of the session's output, that is heard now
    this.dropouts = 0;
    this.silentS = 0; // of drop-outs
    this.node = null;
    this.cutAt = null; // when the line was cut while it played
    link.on("hello", (hello) => (this.hello = hello));
    link.on("begin", ({ anew }) => anew && (this.frame = null));
    link.on("progress", (progress) => this.#progress(progress));
    link.on("taken", ({ text }) => {
      this.#stop();
      say(text);
    });
    link.on("closed", () => this.#cut());
    link.on("open", () => this.#again());
    link.on("slept", ({ seconds }) => this.state === "playing" && say(`This page stood still for ${seconds.toFixed(0)} s; the sound goes on from where it was.`));
  }

  async toggle() {
    this.cutAt = null;
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
    say("Playing.");
  }

  pause() {
    this.link.send({ do: "pause" });
    this.#stop();
    say("Paused.");
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
      const { port1, port2 } = new MessageChannel();
      this.node.port.postMessage({ line: port1 }, [port1]);
      this.link.play(port2);
      this.gain = new GainNode(this.context, { gain: 0 });
      this.node.connect(this.gain).connect(this.context.destination);
      this.#ramp(FIRST_FADE_S);
    }
    await this.context.resume();
  }

  #ramp(seconds) {
    if (!this.gain) return;
    const target = decibelsToGain(this.levelDb + this.matchDb);
    this.gain.gain.setTargetAtTime(target, this.context.currentTime, seconds / 4);
  }

  #progress({ frame, dropouts, silent }) {
    this.frame = frame;
    this.silentS = silent / this.context.sampleRate;
    this.dropouts = dropouts;
    if (this.state === "playing") this.dispatchEvent(new CustomEvent("played"));
  }

  #cut() {
    if (this.state === "playing") this.cutAt = performance.now();
    this.#stop();
  }

  /** What played when the line was cut plays again. */
  async #again() {
    if (this.cutAt === null) return;
    const seconds = (performance.now() - this.cutAt) / 1000;
    this.cutAt = null;
    await this.play();
    say(`The line to the program was cut for ${seconds.toFixed(1)} s; the sound goes on from where it stood there.`);
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
