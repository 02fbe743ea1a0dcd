// Traces of probed nodes and currents, triggered by the first of them.

import { DASHES, SERIES, colour, pen, rounds, scale } from "./canvas.js";
import { amount, byId, make, say } from "./dom.js";

const HEIGHT = 220;
const MOST = 4;

export class Scope {
  constructor(link, meters) {
    this.link = link;
    this.names = [];
    this.units = [];
    this.picture = null;
    meters.scopes.push((picture) => {
      this.picture = picture;
      this.#draw();
    });
    link.on("hello", ({ unit }) => {
      byId("probe-names").replaceChildren(...unit.probes.map((name) => make("option", { value: name })));
    });
    link.on("state", ({ probes }) => this.#state(probes));
    byId("probe-form").addEventListener("submit", (event) => {
      event.preventDefault();
      this.#add(byId("probe-name").value.trim());
    });
    for (const id of ["scope-span", "scope-edge", "scope-level"]) byId(id).addEventListener("change", () => this.#ask(this.names));
  }

  #add(name) {
    if (!name) return;
    if (this.names.length >= MOST) {
      say(`${MOST} traces at the most: take one away first`);
      return;
    }
    byId("probe-name").value = "";
    this.#ask([...new Set([...this.names, name])]);
  }

  #ask(names) {
    const level = byId("scope-level").value.trim();
    this.link.send({
      do: "probe", names, span_s: Number(byId("scope-span").value), rising: byId("scope-edge").value === "rising",
      level: level === "" || Number.isNaN(Number(level)) ? null : Number(level),
    });
  }

  #state({ names, units, span_s: span, rising, level }) {
    if (document.activeElement?.closest("#scope-part") === null || names.join() !== this.names.join()) {
      byId("scope-span").value = String(span);
      byId("scope-edge").value = rising ? "rising" : "falling";
      byId("scope-level").value = level ?? "";
    }
    if (names.join() !== this.names.join()) this.picture = null;
    this.names = names;
    this.units = units;
    this.span = span;
    byId("probes").replaceChildren(...names.map((name, k) => make("li", {},
      make("span", { className: `swatch swatch-${k}`, "aria-hidden": "true" }),
      make("bdi", { textContent: name }), ` in ${units[k]} `,
      make("button", { type: "button", textContent: "Take away", "aria-label": `Take ${name} away`, onclick: () => this.#ask(names.filter((one) => one !== name)) }))));
    byId("scope-none").hidden = names.length > 0;
    byId("scope-shown").hidden = names.length === 0;
    this.#draw();
  }

  #draw() {
    if (!this.names.length) return;
    const found = pen(byId("scope"), HEIGHT);
    const { context, width, height } = found;
    const { picture } = this;
    if (!picture || picture.smallest.length !== this.names.length) {
      byId("scope-words").textContent = "Waiting for sound.";
      return;
    }
    const ends = this.names.map((_, k) => [Math.min(...picture.smallest[k]), Math.max(...picture.largest[k])]);
    // traces of one unit share a scale, that of the first is written
    const ofUnit = (unit) => {
      const mine = ends.filter((_, k) => this.units[k] === unit);
      const [low, high] = [Math.min(...mine.map(([one]) => one)), Math.max(...mine.map(([, one]) => one))];
      const margin = 0.06 * (high - low) || 0.1 * Math.abs(high) || 1e-3;
      return [low - margin, high + margin];
    };
    this.names.forEach((_, k) => {
      const [low, high] = ofUnit(this.units[k]);
      const place = (value) => 6 + ((height - 12) * (high - value)) / (high - low);
      if (k === 0) scale(found, 0, height, rounds(low, high), place, (value) => amount(value, this.units[0]));
      const columns = picture.smallest[k].length;
      const x = (column) => 50 + ((width - 52) * column) / Math.max(columns - 1, 1);
      context.strokeStyle = colour(SERIES[k]);
      context.setLineDash(DASHES[k]);
      context.beginPath();
      for (let column = 0; column < columns; column += 1) {
        context.lineTo(x(column), place(picture.smallest[k][column]));
        if (picture.largest[k][column] !== picture.smallest[k][column]) context.lineTo(x(column), place(picture.largest[k][column]));
      }
      context.stroke();
    });
    context.setLineDash([]);
    const words = this.names.map((name, k) => `${name} ${amount(ends[k][0], this.units[k])} to ${amount(ends[k][1], this.units[k])}`);
    byId("scope-words").textContent = `${picture.triggered ? "Triggered" : "No trigger"}, ${amount(this.span, "s")} wide: ${words.join("; ")}`;
  }
}
