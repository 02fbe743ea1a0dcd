"use strict";
// The burst as it was simulated: entries of time, and the least and largest value of every trace in each.

/** Numbers of 32 bits, as packed by the program. */
function unpack(base64) {
  const letters = atob(base64);
  const bytes = new Uint8Array(letters.length);
  for (let i = 0; i < letters.length; i += 1) bytes[i] = letters.charCodeAt(i);
  return new Float32Array(bytes.buffer);
}

class BurstRecord {
  constructor(plan) {
    let first = 0;
    this.stretches = plan.stretches.map((one) => {
      const placed = { ...one, first };
      first += one.count;
      return placed;
    });
    this.count = first;
    // the instant with which each entry ends: that of its sample, where it has only one
    this.times = this.stretches.flatMap(({ start_s: start, entry_s: entry, count }) =>
      Array.from({ length: count }, (_, place) => start + (place + 1) * entry));
    this.burstS = plan.burst_s;
    this.rows = new Map(plan.rows.map((row) => [row.key, row]));
    this.traces = new Map(Object.entries(plan.traces).map(([key, packed]) => [key, this.#entries(packed)]));
  }

  #entries(packed) {
    const low = unpack(packed.low);
    const high = Float32Array.from(low);
    high.set(unpack(packed.high), this.stretches[0].count);
    return { low, high };
  }

  get startS() {
    return this.times[0];
  }

  get endS() {
    return this.times[this.count - 1];
  }

  /** The entry that an instant lies in, or the nearest one. */
  index(at) {
    const last = this.stretches.length - 1;
    for (const [number, one] of this.stretches.entries()) {
      const place = Math.ceil((at - one.start_s) / one.entry_s - 1e-6) - 1;
      if (place < one.count || number === last) return one.first + Math.min(Math.max(place, 0), one.count - 1);
    }
    return this.count - 1;
  }

  /** Least and largest value of a trace in an entry. */
  at(key, index) {
    const { low, high } = this.traces.get(key);
    return [low[index], high[index]];
  }
}
