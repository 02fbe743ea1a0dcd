"use strict";
// The audio comes in short segments, each holding all versions: FLAC as base64, one line a version. They stand in the
// page itself or, when that would be too large, in script files beside it (a page opened from disk may read no others).

const DECODED_BYTES = 100e6; // how much decoded audio is kept
const LEAST_KEPT = 4;

class Segments {
  constructor(plan) {
    this.plan = plan;
    this.loading = new Map(); // number -> promise of an AudioBuffer for each version
    this.decoded = new Map(); // number -> the same when it is there; oldest use first
    const bytes = plan.segment_frames * plan.channels * plan.versions.length * 4;
    this.kept = Math.max(LEAST_KEPT, Math.floor(DECODED_BYTES / bytes));
    this.decoder = null;
    this.arrivals = new Map();
    window.takeSegment = (number, text) => this.arrivals.get(number)?.(text);
  }

  /** The buffers of a segment if they are decoded, else null. */
  ready(number) {
    const buffers = this.decoded.get(number) ?? null;
    if (buffers) {
      this.decoded.delete(number);
      this.decoded.set(number, buffers);
    }
    return buffers;
  }

  load(number) {
    if (this.decoded.has(number)) return Promise.resolve(this.ready(number));
    if (!this.loading.has(number)) {
      this.loading.set(number, this.#fetch(number).finally(() => this.loading.delete(number)));
    }
    return this.loading.get(number);
  }

  async #fetch(number) {
    const text = this.plan.embedded ? this.#embedded(number) : await this.#beside(number);
    // rate and length as in the page's data, so that nothing is resampled
    this.decoder ??= new OfflineAudioContext(1, 1, this.plan.rate_hz);
    const buffers = await Promise.all(text.trim().split("\n").map((line) => this.#decode(line.trim())));
    const frames = Math.min(this.plan.segment_frames, this.plan.frames - number * this.plan.segment_frames);
    if (buffers.length !== this.plan.versions.length || buffers.some((one) => one.length !== frames)) {
      throw new Error(`segment ${number} is damaged`);
    }
    this.decoded.set(number, buffers);
    for (const oldest of this.decoded.keys()) {
      if (this.decoded.size <= this.kept) break;
      this.decoded.delete(oldest);
    }
    return buffers;
  }

  #decode(base64) {
    const letters = atob(base64);
    const bytes = new Uint8Array(letters.length);
    for (let i = 0; i < letters.length; i += 1) bytes[i] = letters.charCodeAt(i);
    return this.decoder.decodeAudioData(bytes.buffer);
  }

  #embedded(number) {
    return document.getElementById(`segment-${number}`).textContent;
  }

  #beside(number) {
    const file = `${this.plan.folder}/${String(number).padStart(5, "0")}.js`;
    return new Promise((resolve, reject) => {
      const script = document.createElement("script");
      const done = (then) => (value) => {
        this.arrivals.delete(number);
        script.remove();
        then(value);
      };
      this.arrivals.set(number, done(resolve));
      script.addEventListener("error", done(() => reject(new Error(`${file} is missing; keep the folder beside the page`))));
      script.src = file;
      document.head.append(script);
    });
  }
}
