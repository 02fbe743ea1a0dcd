"use strict";
// The sound graph: every version runs all the time, on one clock; what is heard is a set of gains.
//
//   run: source of version i -> gate i  --+
//   next run: source      -> gate i  -----+-> heard i --+
//                                           heard j ----+-> level -> loudspeakers
//
// A run is one unbroken stretch of the programme; its gates fade it in and out, so that a start, a loop or a jump makes
// no click. The sources of a run all start at the same frame of the clock and are made of whole frames, so versions
// cannot drift apart. A difference is version i with its gain and version 0 with the same gain, turned over.

const LEAD_S = 0.04; // from a command to its effect: the sound thread works ahead, and a fade must not begin in its past
const CROSSFADE_S = 0.012;
const CROSSFADE_POINTS = 25; // straight in between: 0.05 % off the curve
const EDGE_S = 0.005; // fade at the ends of a run
const UPWARD_DB_PER_S = 40; // the level never rises faster than this
const LEAST_RAMP_S = 0.05;
const SILENCE = 1e-4; // ramps of the level start here: an exponential one cannot start at nothing

function decibelsToGain(db) {
  return 10 ** (db / 20);
}

/**
 * Gains on the way from one set to another, at constant power.
 *
 * For unrelated signals that is the sine and cosine law. Versions of one programme are nearly the same signal, and the
 * same law would bulge by up to 3 dB; so the way follows the correlation that the two mixes have in this programme
 * (spherical interpolation), and becomes a straight line for equal ones. Returns a Float32Array for each version.
 */
function crossfadeCurves(from, to, covariance, points = CROSSFADE_POINTS) {
  const product = (a, b) => a.reduce((sum, x, i) => sum + b.reduce((part, y, j) => part + x * y * covariance[i][j], 0), 0);
  const [powerFrom, powerTo] = [product(from, from), product(to, to)];
  const correlation = powerFrom > 0 && powerTo > 0 ? product(from, to) / Math.sqrt(powerFrom * powerTo) : 1;
  const angle = Math.acos(Math.min(1, Math.max(0, correlation)));
  const [rmsFrom, rmsTo] = [Math.sqrt(powerFrom), Math.sqrt(powerTo)];
  const weights = (t) => {
    if (angle < 1e-3) return [1 - t, t];
    const rms = rmsFrom + (rmsTo - rmsFrom) * t;
    return [(Math.sin((1 - t) * angle) * rms) / (Math.sin(angle) * rmsFrom), (Math.sin(t * angle) * rms) / (Math.sin(angle) * rmsTo)];
  };
  const curves = from.map(() => new Float32Array(points));
  for (let k = 0; k < points; k += 1) {
    const [a, b] = weights(k / (points - 1));
    curves.forEach((curve, i) => { curve[k] = a * from[i] + b * to[i]; });
  }
  return curves;
}

class Graph {
  /** `covariance[i][j]` is the mean product of the samples of versions i and j; `context` may be an offline one. */
  constructor(context, covariance) {
    this.context = context;
    this.covariance = covariance;
    this.level = new GainNode(context, { gain: SILENCE });
    this.level.connect(context.destination);
    this.heard = covariance.map(() => {
      const node = new GainNode(context, { gain: 0 });
      node.connect(this.level);
      return node;
    });
    this.gains = covariance.map(() => 0);
    this.fadeEnd = 0;
  }

  /** Crossfade to a set of gains, one for each version, from `at` (seconds of the clock) or after the fade under way. */
  hear(gains, at = this.context.currentTime + LEAD_S) {
    const start = Math.max(at, this.fadeEnd);
    crossfadeCurves(this.gains, gains, this.covariance).forEach((curve, i) => {
      const { gain } = this.heard[i];
      gain.setValueAtTime(curve[0], start);
      curve.forEach((value, k) => gain.linearRampToValueAtTime(value, start + (k / (curve.length - 1)) * CROSSFADE_S));
    });
    this.fadeEnd = start + CROSSFADE_S;
    this.gains = [...gains];
  }

  /** The same at once, for when nothing sounds. */
  set(gains) {
    this.heard.forEach(({ gain }, i) => {
      gain.cancelScheduledValues(0);
      gain.setValueAtTime(gains[i], 0);
    });
    this.fadeEnd = 0;
    this.gains = [...gains];
  }

  /** Bring the level to `db` without a jump: quickly down, slowly up. */
  setLevel(db) {
    const [gain, now] = [this.level.gain, this.context.currentTime];
    const [from, to] = [Math.max(SILENCE, gain.value), Math.max(SILENCE, decibelsToGain(db))];
    const rise = 20 * Math.log10(to / from);
    gain.cancelScheduledValues(now);
    gain.setValueAtTime(from, now);
    gain.exponentialRampToValueAtTime(to, now + Math.max(LEAST_RAMP_S, rise / UPWARD_DB_PER_S));
  }
}

class Run {
  /** Starts at `frame` of the clock, at `position` (frame of the programme), fading in over `fadeS`. */
  constructor(graph, frame, position, fadeS = EDGE_S) {
    this.context = graph.context;
    this.frame = frame;
    this.position = position;
    this.next = position; // first frame of the programme that is not scheduled yet
    this.end = Infinity; // frame of the clock at which it begins to fade out
    this.fadeS = fadeS;
    this.sources = new Set();
    this.gates = graph.heard.map((heard) => {
      const gate = new GainNode(this.context, { gain: 0 });
      gate.gain.setValueAtTime(0, this.seconds(frame));
      gate.gain.linearRampToValueAtTime(1, this.seconds(frame) + fadeS);
      gate.connect(heard);
      return gate;
    });
  }

  seconds(frame) {
    return frame / this.context.sampleRate;
  }

  /** Frame of the clock at which the scheduled part ends. */
  get scheduled() {
    return this.frame + this.next - this.position;
  }

  /** Append `frames` frames of the buffers (one for each version), from `offset` on. */
  add(buffers, offset, frames) {
    const at = this.seconds(this.scheduled);
    buffers.forEach((buffer, i) => {
      const source = new AudioBufferSourceNode(this.context, { buffer });
      source.connect(this.gates[i]);
      source.start(at, this.seconds(offset), this.seconds(frames));
      source.addEventListener("ended", () => this.#ended(source));
      this.sources.add(source);
    });
    this.next += frames;
  }

  /** Fade out from `frame` of the clock on, and stop. */
  finish(frame) {
    if (frame >= this.end) return;
    this.end = frame;
    const at = this.seconds(frame);
    const value = Math.min(1, Math.max(0, (at - this.seconds(this.frame)) / this.fadeS));
    for (const { gain } of this.gates) {
      gain.cancelScheduledValues(at);
      gain.linearRampToValueAtTime(value, at);
      gain.linearRampToValueAtTime(0, at + EDGE_S);
    }
    for (const source of this.sources) source.stop(at + EDGE_S);
  }

  #ended(source) {
    this.sources.delete(source);
    if (this.sources.size === 0 && this.end < Infinity) this.gates.forEach((gate) => gate.disconnect());
  }
}
