"use strict";
// The moving traces: all on one time axis, the instant of the numbers in the middle.

const TICKS_S = [1e-5, 2e-5, 5e-5, 1e-4, 2e-4, 5e-4, 1e-3, 2e-3, 5e-3, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5];
const LEAST_TICK_PX = 80;
const DRAG_PX = 4;

class TraceView {
  /** `go(seconds)` is called as a drawing is dragged or clicked. */
  constructor(plan, record, go) {
    this.record = record;
    this.moments = plan.moments;
    this.canvases = [...document.querySelectorAll("canvas[data-row]")];
    this.rows = this.canvases.map((canvas) => plan.rows[Number(canvas.dataset.row)]);
    this.ruler = byId("ruler");
    this.windowS = 0.002;
    this.at = 0;
    this.still = matchMedia("(prefers-reduced-motion: reduce)");
    this.#readColours();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
      this.#readColours();
      this.draw();
    });
    new ResizeObserver(() => this.draw()).observe(this.ruler);
    for (const canvas of [...this.canvases, this.ruler]) this.#wire(canvas, go);
  }

  /** The first instant on the screen. With less motion wanted the drawing stands still until the instant leaves it. */
  get from() {
    if (!this.still.matches) return this.at - this.windowS / 2;
    const page = this.windowS * 0.75;
    return Math.floor((this.at + this.windowS / 4) / page) * page - this.windowS / 4;
  }

  /** At least so much time on the screen, as far as there is a choice. */
  widen(seconds) {
    const list = byId("window");
    const wide = [...list.options].find((one) => Number(one.value) >= seconds) ?? list.options[list.options.length - 1];
    if (Number(wide.value) <= this.windowS) return;
    list.value = wide.value;
    this.windowS = Number(wide.value);
  }

  show(at) {
    this.at = at;
    this.draw();
  }

  draw() {
    this.canvases.forEach((canvas, number) => this.#drawRow(canvas, this.rows[number]));
    this.#drawRuler();
  }

  #readColours() {
    const style = getComputedStyle(document.documentElement);
    this.colour = (name) => style.getPropertyValue(`--${name}`).trim();
  }

  #open(canvas) {
    const ratio = window.devicePixelRatio || 1;
    const [width, height] = [canvas.clientWidth, canvas.clientHeight];
    if (canvas.width !== Math.round(width * ratio)) canvas.width = Math.round(width * ratio);
    if (canvas.height !== Math.round(height * ratio)) canvas.height = Math.round(height * ratio);
    const pen = canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    return { pen, width, height, perPx: this.windowS / Math.max(1, width) };
  }

  #drawRow(canvas, row) {
    const paper = this.#open(canvas);
    const { pen, width, height, perPx } = paper;
    if (!width) return;
    const y = scale(row, height);
    if (row.low < 0 && row.high > 0 && row.unit !== "ohm") this.#line(pen, 0, y(0), width, y(0), "edge");
    for (const { at_s: at } of this.moments) {
      const x = (at - this.from) / perPx;
      if (x >= 0 && x <= width) this.#line(pen, x, 0, x, height, "edge");
    }
    if (row.beside) this.#trace(paper, this.record.traces.get(row.beside), y, "wine", [4, 3]);
    this.#trace(paper, this.record.traces.get(row.key), y, row.colour, []);
    const x = (this.at - this.from) / perPx;
    this.#line(pen, x, 0, x, height, "ink");
    const [low, high] = this.record.at(row.key, this.record.index(this.at));
    pen.fillStyle = this.colour("ink");
    pen.beginPath();
    pen.arc(x, y((low + high) / 2), 3.2, 0, 7);
    pen.fill();
  }

  #line(pen, x0, y0, x1, y1, colour) {
    pen.strokeStyle = this.colour(colour);
    pen.lineWidth = 1;
    pen.setLineDash([]);
    pen.beginPath();
    pen.moveTo(x0, y0);
    pen.lineTo(x1, y1);
    pen.stroke();
  }

  /** The least and the largest value of every entry, or of all that share a pixel, so that no peak is left out; first
   * the one that lies nearer to what was drawn before. */
  #trace({ pen, width, perPx }, { low, high }, y, colour, dashes) {
    const { record, from } = this;
    pen.strokeStyle = this.colour(colour);
    pen.lineWidth = 1.5;
    pen.setLineDash(dashes);
    pen.beginPath();
    let index = Math.max(0, record.index(from) - 1);
    const end = record.index(from + perPx * width);
    let before = low[index];
    while (index <= end) {
      const begin = record.times[index];
      let [least, most] = [low[index], high[index]];
      while (index < end && record.times[index + 1] < begin + perPx) {
        index += 1;
        least = Math.min(least, low[index]);
        most = Math.max(most, high[index]);
      }
      const x = (begin - from) / perPx;
      const ends = Math.abs(before - least) < Math.abs(before - most) ? [least, most] : [most, least];
      for (const value of ends) pen.lineTo(x, y(value));
      before = ends[1];
      index += 1;
    }
    pen.stroke();
  }

  #drawRuler() {
    const { pen, width, perPx } = this.#open(this.ruler);
    if (!width) return;
    const step = TICKS_S.find((s) => s / perPx >= LEAST_TICK_PX) ?? 10;
    pen.font = "12px system-ui, sans-serif";
    pen.textAlign = "center";
    pen.fillStyle = this.colour("muted");
    for (let k = Math.ceil(this.from / step); k * step <= this.from + this.windowS; k += 1) {
      const x = (k * step - this.from) / perPx;
      this.#line(pen, x, 0, x, 5, "muted");
      if (x > 20 && x < width - 20) pen.fillText(duration(k * step), x, 18);
    }
    pen.fillStyle = this.colour("ink");
    let last = -Infinity;
    this.moments.forEach(({ at_s: at }, number) => {
      const x = (at - this.from) / perPx;
      if (x < 0 || x > width || x - last < 14) return;
      last = x;
      pen.fillText(String(number + 1), x, 34);
    });
  }

  #wire(canvas, go) {
    let held = null;
    canvas.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      held = { x: event.clientX, at: this.at, dragged: false };
      canvas.setPointerCapture(event.pointerId);
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!held) return;
      const moved = event.clientX - held.x;
      if (!held.dragged && Math.abs(moved) < DRAG_PX) return;
      held.dragged = true;
      go(held.at - (moved / canvas.clientWidth) * this.windowS);
    });
    canvas.addEventListener("pointerup", (event) => {
      if (held && !held.dragged) {
        const box = canvas.getBoundingClientRect();
        go(this.from + ((event.clientX - box.left) / box.width) * this.windowS);
      }
      held = null;
    });
    canvas.addEventListener("pointercancel", () => { held = null; });
  }
}

/** Value of a row -> height on its drawing. */
function scale(row, height) {
  const inside = (share) => height - 2 - Math.min(1, Math.max(0, share)) * (height - 4);
  if (row.unit !== "ohm") return (value) => inside((value - row.low) / (row.high - row.low));
  return (value) => inside(Math.log(Math.max(value, row.low) / row.low) / Math.log(row.high / row.low));
}
