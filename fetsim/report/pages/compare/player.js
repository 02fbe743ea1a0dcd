"use strict";
// The transport: keeps a few seconds scheduled ahead of the clock, run after run.

const AHEAD_S = 3; // a page in the background is woken only once a second
const STALL_S = 0.1; // so long before the scheduled audio runs out, playing pauses for what is still to be read
const LEAST_LOOP_S = 0.1;
const IDLE_MS = 500; // after a stop the audio device is let go
const PUMP_MS = 100;
const FIRST_FADE_S = 1.5; // the first sound of a visit comes up slowly
const NEXT_FADE_S = 0.08;

class Player extends EventTarget {
  /** `plan`: rate_hz, frames, segment_frames. Sends "change" when state, loop or position changed otherwise than by time. */
  constructor(plan, segments, covariance) {
    super();
    this.plan = plan;
    this.segments = segments;
    this.covariance = covariance;
    this.state = "stopped"; // stopped, waiting (for audio), playing
    this.loop = { from: 0, to: plan.frames, on: false };
    this.levelDb = -30;
    this.gains = covariance.map((_, i) => Number(i === 0));
    this.graph = null;
    this.runs = [];
    this.rest = 0; // position while nothing plays
    this.wish = 0; // counts what ended playing; a wait from before is dropped
    this.started = false;
  }

  get frame() {
    return Math.round(this.graph.context.currentTime * this.plan.rate_hz);
  }

  /** Position in the programme [frames] of what is heard now. */
  get position() {
    if (this.state !== "playing") return this.rest;
    const delay = (this.graph.context.outputLatency || 0) * this.plan.rate_hz;
    const now = this.frame - delay;
    const run = this.runs.findLast((one) => one.frame <= now) ?? this.runs[0]; // the first: about to begin
    return Math.round(Math.min(run.position + Math.max(0, now - run.frame), run.next));
  }

  async play() {
    if (this.state !== "stopped") return;
    this.state = "waiting";
    this.#changed();
    try {
      await this.#open();
    } catch (error) {
      this.#fail(error);
      return;
    }
    if (this.state !== "waiting") return; // paused meanwhile
    if (this.loop.on && (this.rest < this.loop.from || this.rest >= this.loop.to)) this.rest = this.loop.from;
    if (this.rest >= this.plan.frames) this.rest = 0;
    await this.#begin(this.rest, this.started ? NEXT_FADE_S : FIRST_FADE_S);
  }

  pause() {
    if (this.state === "stopped") return;
    this.#stop(this.position);
  }

  seek(position) {
    const target = Math.min(this.plan.frames, Math.max(0, Math.round(position)));
    if (this.state === "stopped") {
      this.rest = target;
      this.segments.load(this.#segmentOf(Math.min(target, this.plan.frames - 1))).catch(() => {}); // told when it is played
      this.#changed();
    } else {
      this.#begin(Math.min(target, this.plan.frames - 1), EDGE_S);
    }
  }

  /** Loop between two positions [frames]; while on, playing starts and stays in between. */
  setLoop(from, to, on) {
    const least = Math.min(this.plan.frames, Math.ceil(LEAST_LOOP_S * this.plan.rate_hz));
    const start = Math.min(Math.max(0, Math.round(Math.min(from, to))), this.plan.frames - least);
    const end = Math.max(start + least, Math.min(this.plan.frames, Math.round(Math.max(from, to))));
    this.loop = { from: start, to: end, on };
    if (this.state !== "stopped") {
      const now = this.position;
      this.seek(on && (now < start || now >= end) ? start : now);
    }
    this.#changed();
  }

  /** What is heard: a gain for each version. */
  hear(gains) {
    this.gains = gains;
    if (this.graph?.context.state === "running") this.graph.hear(gains);
    else this.graph?.set(gains);
  }

  setLevel(db) {
    this.levelDb = db;
    this.graph?.setLevel(db);
  }

  async #open() {
    if (!this.graph) {
      const context = new AudioContext({ sampleRate: this.plan.rate_hz, latencyHint: "interactive" });
      this.graph = new Graph(context, this.covariance);
      this.graph.set(this.gains);
      this.graph.setLevel(this.levelDb);
      setInterval(() => this.#pump(), PUMP_MS);
    }
    await this.graph.context.resume();
  }

  async #begin(position, fadeS) {
    const number = this.#segmentOf(position);
    if (!this.segments.ready(number)) {
      this.rest = position;
      this.#halt();
      this.state = "waiting";
      this.#changed();
      const { wish } = this;
      try {
        await this.segments.load(number);
      } catch (error) {
        this.#fail(error);
        return;
      }
      if (wish !== this.wish || this.state !== "waiting") return;
    }
    const start = this.frame + Math.round(LEAD_S * this.plan.rate_hz);
    this.#finishAll(start);
    this.runs = [new Run(this.graph, start, position, fadeS)];
    this.started = true;
    this.state = "playing";
    this.#pump();
    this.#changed();
  }

  #pump() {
    if (this.state !== "playing") return;
    const now = this.frame;
    const horizon = now + AHEAD_S * this.plan.rate_hz;
    for (;;) {
      const run = this.runs.at(-1);
      const { loop } = this;
      const limit = loop.on && run.next <= loop.to ? loop.to : this.plan.frames;
      if (run.scheduled >= horizon) break;
      if (run.next >= limit) {
        if (!loop.on) {
          if (now < run.scheduled) break;
          this.#stop(0, "End of the programme");
          return;
        }
        run.finish(run.scheduled - Math.ceil(EDGE_S * this.plan.rate_hz));
        this.runs.push(new Run(this.graph, run.scheduled, loop.from));
        continue;
      }
      const number = this.#segmentOf(run.next);
      const buffers = this.segments.ready(number);
      if (!buffers) {
        const needed = () => this.state === "playing" && this.#segmentOf(this.runs.at(-1).next) === number;
        this.segments.load(number).then(() => this.#pump(), (error) => needed() && this.#fail(error));
        if (run.scheduled - now >= STALL_S * this.plan.rate_hz) break;
        this.#begin(run.next, NEXT_FADE_S);
        return;
      }
      const offset = run.next - number * this.plan.segment_frames;
      run.add(buffers, offset, Math.min(buffers[0].length - offset, limit - run.next));
    }
    const following = this.#segmentOf(this.runs.at(-1).next);
    if (following * this.plan.segment_frames < this.plan.frames && !this.segments.ready(following)) {
      this.segments.load(following).catch(() => {}); // told when it is played
    }
    while (this.runs.length > 1 && this.runs[1].frame < now - this.plan.rate_hz) this.runs.shift();
  }

  #stop(position, message = "") {
    this.rest = position;
    this.#halt();
    this.state = "stopped";
    this.#changed(message);
    setTimeout(() => {
      if (this.state === "stopped") this.graph?.context.suspend();
    }, IDLE_MS);
  }

  #halt() {
    this.wish += 1;
    if (!this.graph) return;
    this.#finishAll(this.frame + Math.round(LEAD_S * this.plan.rate_hz));
    this.runs = [];
  }

  #finishAll(frame) {
    for (const run of this.runs) run.finish(Math.max(frame, run.frame));
  }

  #fail(error) {
    this.#stop(this.position, `Cannot play: ${error.message}`);
  }

  #segmentOf(position) {
    return Math.floor(position / this.plan.segment_frames);
  }

  #changed(message = "") {
    this.dispatchEvent(new CustomEvent("change", { detail: message }));
  }
}
