// The page's buffer with a tap behind it: what it gives out is told to the page, quantum by quantum.

import { Ring } from "./ring.js";

class Tapped extends Ring {
  process(inputs, outputs) {
    const goes = super.process(inputs, outputs);
    if (!this.waiting) this.port.postMessage({ tapped: outputs[0].map((one) => one.slice()) });
    return goes;
  }
}

registerProcessor("ring", Tapped);
