// The buffer in front of the loudspeaker: filled from the line, emptied by the audio thread, sample for sample.

const CAPACITY_S = 2;
const PREFILL_S = 0.2; // must be there before it begins, and again after it has run dry
const TOLD_QUANTA = 8; // how often it tells how far it has come

export class Ring extends AudioWorkletProcessor {
  constructor({ processorOptions: { channels } }) {
    super();
    this.capacity = Math.ceil(CAPACITY_S * sampleRate);
    this.rings = Array.from({ length: channels }, () => new Float32Array(this.capacity));
    this.reset();
    this.line = null;
    this.port.onmessage = ({ data }) => this.listen(data.line);
  }

  listen(line) {
    this.line = line;
    line.onmessage = ({ data }) => {
      if (data.reset) this.reset();
      else this.take(data);
    };
  }

  /** Frames are those of the session's output, from the first one that comes. */
  reset() {
    this.filled = null; // the first frame that is not there yet
    this.played = 0; // the one that is given out next
    this.edition = this.refused = 0;
    this.dropouts = 0;
    this.silent = 0; // frames that were given out in between
    this.waiting = true;
    this.quanta = 0;
  }

  take({ first, since, edition, samples }) {
    if (this.filled === null) [this.filled, this.played, this.edition] = [first, first, edition];
    if (edition !== this.edition && !this.#accepts(first, since, edition)) return;
    if (first > this.filled) this.#skip(first);
    const at = first % this.capacity;
    samples.forEach((one, channel) => {
      const part = one.subarray(0, this.capacity - at);
      this.rings[channel].set(part, at);
      this.rings[channel].set(one.subarray(part.length), 0);
    });
    this.filled = first + samples[0].length;
  }

  /** Another edition takes the place of what is here, where its beginning is there and has not been given out yet. */
  #accepts(first, since, edition) {
    if (edition === this.refused) return false;
    if (first === since && first >= this.played) {
      this.edition = edition;
      this.filled = Math.min(this.filled, first);
    } else this.refused = edition;
    this.#tell();
    return this.edition === edition;
  }

  /** Blocks never came. */
  #skip(first) {
    this.dropouts += 1;
    this.played = first;
    this.waiting = true;
  }

  process(inputs, [output]) {
    const count = output[0].length;
    const ready = (this.filled ?? 0) - this.played;
    if (this.waiting && ready >= PREFILL_S * sampleRate) this.waiting = false;
    if (!this.waiting && ready < count) {
      this.waiting = true;
      this.dropouts += 1;
    }
    if (!this.waiting) this.give(output, count);
    else if (this.dropouts) this.silent += count;
    this.quanta += 1;
    if (this.quanta % TOLD_QUANTA === 0) this.#tell();
    return true;
  }

  #tell() {
    const { filled, played, dropouts, silent, edition, refused } = this;
    if (filled !== null) this.line?.postMessage({ frame: played, dropouts, silent, edition, refused });
  }

  give(output, count) {
    const at = this.played % this.capacity;
    output.forEach((one, channel) => {
      const ring = this.rings[Math.min(channel, this.rings.length - 1)];
      const first = ring.subarray(at, Math.min(at + count, this.capacity));
      one.set(first);
      one.set(ring.subarray(0, count - first.length), first.length);
    });
    this.played += count;
  }
}
