// The page's buffer with a tap behind it: what it gives out is told to the page, many quanta at once.

import { Ring } from "./ring.js";

const QUANTA = 64;

class Tapped extends Ring {
  kept = [];

  process(inputs, outputs) {
    const goes = super.process(inputs, outputs);
    if (!this.waiting) this.kept.push(outputs[0].map((one) => one.slice()));
    if (this.kept.length === QUANTA) this.tell(this.kept.splice(0));
    return goes;
  }

  tell(quanta) {
    const tapped = quanta[0].map((first, channel) => {
      const all = new Float32Array(QUANTA * first.length);
      quanta.forEach((one, k) => all.set(one[channel], k * first.length));
      return all;
    });
    this.port.postMessage({ tapped }, tapped.map((one) => one.buffer));
  }
}

registerProcessor("ring", Tapped);
