"""What the audio thread of a real browser gives out, sample by sample: the page's buffer with a tap behind it."""

import base64

import numpy as np

from fetsim.live.server import FILES

WITH_TAP = {**FILES, "worklet.js": ("tests.live", "tapped.js")}
"""What a server hands out instead of ``FILES``."""
LISTENER = """
window.tapped = [];
window.AudioWorkletNode = class extends AudioWorkletNode {
  constructor(...given) {
    super(...given);
    this.port.addEventListener("message", (event) => {
      window.tapped.push(event.data.tapped);
    });
    this.port.start();
  }
};
"""
COLLECT = """() => {
  const quanta = window.tapped, channels = quanta[0]?.length ?? 1, length = quanta[0]?.[0].length ?? 0;
  const all = new Float32Array(quanta.length * length * channels);
  quanta.forEach((one, k) => one.forEach((samples, c) => all.set(samples, (c * quanta.length + k) * length)));
  const bytes = new Uint8Array(all.buffer);
  let text = "";
  for (let k = 0; k < bytes.length; k += 32768) text += String.fromCharCode(...bytes.subarray(k, k + 32768));
  return { channels, text: btoa(text) };
}"""


def listen(page):
    """Before the page is opened."""
    page.add_init_script(LISTENER)


def tapped(page):
    """All samples that were given out, in their order, without the silence of drop-outs, but for the last
    fraction of a second [shape=(n, channels)]."""
    found = page.evaluate(COLLECT)
    return np.frombuffer(base64.b64decode(found["text"]), dtype="<f4").reshape(found["channels"], -1).T
