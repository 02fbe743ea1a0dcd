// The buffer in front of the loudspeaker: filled from the line, emptied by the audio thread, sample for sample.

const CAPACITY_S = 2;
const PREFILL = 0.6; // of what the program keeps ahead must be there before it begins, and again after it has run dry
const TOLD_QUANTA = 8; // how often it tells how far it has come

export class Ring extends AudioWorkletProcessor {
  constructor({ processorOptions: { channels } }) {
    super();
    this.capacity = Math.ceil(CAPACITY_S * sampleRate);
    this.rings = Array.from({ length: channels }, () => new Float32Array(this.capacity));
    this.prefill = 0;
    this.reset();
    this.line = null;
    this.port.onmessage = ({ data }) => this.listen(data.line);
  }

  listen(line) {
    this.line = line;
    line.onmessage = ({ data }) => {
      if (data.reset) this.reset();
      else if (data.ahead) this.prefill = PREFILL * data.ahead * sampleRate;
      else this.take(data.samples);
    };
  }

  reset() {
    this.filled = 0; // frames that came in
    this.played = 0;
    this.dropouts = 0;
    this.waiting = true;
    this.quanta = 0;
  }

  take(samples) {
    const at = this.filled % this.capacity;
    samples.forEach((one, channel) => {
      const first = one.subarray(0, this.capacity - at);
      this.rings[channel].set(first, at);
      this.rings[channel].set(one.subarray(first.length), 0);
    });
    this.filled += samples[0].length;
  }

  process(inputs, [output]) {
    const count = output[0].length;
    const ready = this.filled - this.played;
    if (this.waiting && ready >= Math.max(this.prefill, count)) this.waiting = false;
    if (!this.waiting && ready < count) {
      this.waiting = true;
      this.dropouts += 1;
    }
    if (!this.waiting) this.give(output, count);
    this.quanta += 1;
    if (this.quanta % TOLD_QUANTA === 0) this.line?.postMessage({ played: this.played, dropouts: this.dropouts });
    return true;
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
