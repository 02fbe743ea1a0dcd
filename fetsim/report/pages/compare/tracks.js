"use strict";
// Drawings over time: for each version its waveform, its gain reduction and its difference, all on one time axis.

const GUTTER = 46; // px left of every plot, for the scale
const WAVE_HEIGHT = 68;
const REDUCTION_HEIGHT = 60;
const DIFFERENCE_HEIGHT = 60;
const NAME_HEIGHT = 16; // above every plot
const RULER_HEIGHT = 30;
const LEAST_REDUCTION_DB = 6;
const DIFFERENCE_RANGE_DB = 80;
const WAVE_LINES_DB = [0, -3, -6, -10, -15, -20, -30, -40];
const LEAST_LINES_PX = 12;
const TIME_STEPS_S = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600];
const LEAST_LABEL_PX = 64;
const DRAG_PX = 5;

/** 16 bit steps of a trace, as packed by the program. */
function unpack(base64) {
  const letters = atob(base64);
  const bytes = new Uint8Array(letters.length);
  for (let i = 0; i < letters.length; i += 1) bytes[i] = letters.charCodeAt(i);
  return new Int16Array(bytes.buffer);
}

/** Seconds as text with as many decimals as `step_s` needs; minutes from two minutes on. */
function clockText(seconds, stepS = 0.1) {
  const decimals = Math.max(0, -Math.floor(Math.log10(stepS) + 1e-9));
  if (seconds < 120) return seconds.toFixed(decimals);
  const minutes = Math.floor(seconds / 60);
  return `${minutes}:${(seconds - 60 * minutes).toFixed(decimals).padStart(decimals ? decimals + 3 : 2, "0")}`;
}

class Tracks {
  /** `plan.versions[i].traces`: base64 texts or null; `root` holds a canvas.track for each version and two canvas.ruler. */
  constructor(plan, root) {
    this.duration = plan.frames / plan.rate_hz;
    this.view = { from: 0, to: this.duration };
    this.canvases = [...root.querySelectorAll("canvas.track")];
    this.rulers = [...document.querySelectorAll("canvas.ruler")];
    this.columnS = plan.column_s;
    this.traces = plan.versions.map(({ traces }) => ({
      low: unpack(traces.low),
      high: unpack(traces.high),
      mean: traces.reduction_mean && unpack(traces.reduction_mean),
      peak: traces.reduction_max && unpack(traces.reduction_max),
      reductionS: traces.reduction_s,
      difference: traces.difference && unpack(traces.difference),
    }));
    this.fullScale = plan.steps.wave;
    this.stepDb = plan.steps.db;
    const loudest = Math.max(...this.traces.flatMap(({ low, high }) => [extreme(high, 1), -extreme(low, -1)])) * this.fullScale;
    this.waveTop = Math.min(1, Math.max(0.001, loudest * 1.05));
    const most = Math.max(0, ...this.traces.map(({ peak }) => (peak ? extreme(peak, 1) * this.stepDb : 0)));
    this.reductionTop = Math.max(LEAST_REDUCTION_DB, 1.1 * most);
    new ResizeObserver(() => this.draw()).observe(root);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
  }

  show(from, to) {
    this.view = { from: Math.max(0, from), to: Math.min(this.duration, to) };
    this.draw();
  }

  /** Share of the plot's width at which a time lies. */
  share(seconds) {
    return (seconds - this.view.from) / (this.view.to - this.view.from);
  }

  /** Time under a pointer event on a canvas. */
  timeAt(event, canvas) {
    const box = canvas.getBoundingClientRect();
    const share = (event.clientX - box.left - GUTTER) / (box.width - GUTTER);
    return this.view.from + Math.min(1, Math.max(0, share)) * (this.view.to - this.view.from);
  }

  /** Gain reduction [dB] of a version at a time; null without a log. */
  reductionAt(version, seconds) {
    const { peak, reductionS } = this.traces[version];
    return peak && peak.length ? peak[Math.min(peak.length - 1, Math.floor(seconds / reductionS))] * this.stepDb : null;
  }

  draw() {
    const style = getComputedStyle(document.documentElement);
    this.colour = (name) => style.getPropertyValue(`--${name}`).trim();
    this.canvases.forEach((canvas, i) => this.#drawTrack(canvas, this.traces[i]));
    this.rulers.forEach((canvas) => this.#drawRuler(canvas));
  }

  #open(canvas, height) {
    const ratio = window.devicePixelRatio || 1;
    const width = canvas.clientWidth;
    canvas.style.height = `${height}px`;
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
    const pen = canvas.getContext("2d");
    pen.scale(ratio, ratio);
    pen.font = "11px system-ui, sans-serif";
    pen.textBaseline = "middle";
    return { pen, width, plot: Math.max(1, width - GUTTER) };
  }

  #drawTrack(canvas, traces) {
    const parts = [WAVE_HEIGHT, traces.peak ? REDUCTION_HEIGHT : 0, traces.difference ? DIFFERENCE_HEIGHT : 0].filter(Boolean);
    const paper = this.#open(canvas, parts.reduce((sum, height) => sum + NAME_HEIGHT + height, LEAST_LINES_PX / 2));
    if (!paper.width) return;
    let top = NAME_HEIGHT;
    this.#drawWave(paper, top, traces);
    top += WAVE_HEIGHT + NAME_HEIGHT;
    if (traces.peak) {
      this.#drawReduction(paper, top, traces);
      top += REDUCTION_HEIGHT + NAME_HEIGHT;
    }
    if (traces.difference) this.#drawDifference(paper, top, traces);
  }

  #drawWave(paper, top, { low, high }) {
    const { pen, plot } = paper;
    const middle = top + WAVE_HEIGHT / 2;
    const y = (value) => middle - (value / this.waveTop) * (WAVE_HEIGHT / 2);
    let last = -Infinity;
    for (const db of WAVE_LINES_DB) {
      const at = y(decibelsToGain(db));
      if (at < top || at > middle - LEAST_LINES_PX || at - last < LEAST_LINES_PX) continue;
      last = at;
      this.#line(paper, at, `${db}`);
      this.#line(paper, 2 * middle - at);
    }
    this.#line(paper, middle, "-\u221e");
    pen.fillStyle = this.colour("wave");
    this.#columns(plot, low.length, this.columnS, (x, first, end) => {
      let [bottom, upper] = [Infinity, -Infinity];
      for (let i = first; i < end; i += 1) {
        if (low[i] < bottom) bottom = low[i];
        if (high[i] > upper) upper = high[i];
      }
      const [a, b] = [y(upper * this.fullScale), y(bottom * this.fullScale)];
      pen.fillRect(GUTTER + x, a, 1, Math.max(1, b - a));
    });
    this.#name(paper, top, "waveform, dBFS");
  }

  #drawReduction(paper, top, { mean, peak, reductionS }) {
    const { pen, plot } = paper;
    const y = (db) => top + (Math.max(0, db) / this.reductionTop) * REDUCTION_HEIGHT;
    const step = [1, 2, 3, 5, 10, 20, 50].find((db) => (db / this.reductionTop) * REDUCTION_HEIGHT >= LEAST_LINES_PX) ?? 100;
    for (let db = 0; db <= this.reductionTop; db += step) this.#line(paper, y(db), `${db}`);
    pen.fillStyle = pen.strokeStyle = this.colour("reduction");
    pen.globalAlpha = 0.3;
    this.#columns(plot, mean.length, reductionS, (x, first, end) => {
      let sum = 0;
      for (let i = first; i < end; i += 1) sum += mean[i];
      pen.fillRect(GUTTER + x, top, 1, y((sum / (end - first)) * this.stepDb) - top);
    });
    pen.globalAlpha = 1;
    pen.lineWidth = 1.4;
    pen.beginPath();
    this.#columns(plot, peak.length, reductionS, (x, first, end) => pen.lineTo(GUTTER + x + 0.5, y(extreme(peak, 1, first, end) * this.stepDb)));
    pen.stroke();
    this.#name(paper, top, "gain reduction, dB");
  }

  #drawDifference(paper, top, { difference }) {
    const { pen, plot } = paper;
    const y = (db) => top + (Math.min(DIFFERENCE_RANGE_DB, Math.max(0, -db)) / DIFFERENCE_RANGE_DB) * DIFFERENCE_HEIGHT;
    for (let db = 0; db >= -DIFFERENCE_RANGE_DB; db -= 20) this.#line(paper, y(db), `${db}`);
    pen.fillStyle = this.colour("difference");
    this.#columns(plot, difference.length, this.columnS, (x, first, end) => {
      const at = y(extreme(difference, 1, first, end) * this.stepDb);
      pen.fillRect(GUTTER + x, at, 1, top + DIFFERENCE_HEIGHT - at);
    });
    this.#name(paper, top, "level of the difference, dB re the whole programme");
  }

  #drawRuler(canvas) {
    const paper = this.#open(canvas, RULER_HEIGHT);
    const { pen, width, plot } = paper;
    if (!width) return;
    const { from, to } = this.view;
    const step = TIME_STEPS_S.find((s) => (s / (to - from)) * plot >= LEAST_LABEL_PX) ?? 7200;
    pen.strokeStyle = pen.fillStyle = this.colour("muted");
    pen.textAlign = "left";
    pen.fillText(to > 120 ? "min:s" : "s", 0, 20); // far enough from the label of the first instant
    pen.lineWidth = 1;
    for (let k = Math.ceil(from / step - 1e-6); k * step <= to + 1e-9; k += 1) {
      const x = Math.round(GUTTER + this.share(k * step) * plot) + 0.5;
      pen.beginPath();
      pen.moveTo(x, 3);
      pen.lineTo(x, 10);
      pen.stroke();
      const first = x < GUTTER + 8; // beside the mark of the position, which begins there
      pen.textAlign = first ? "left" : x > width - 20 ? "right" : "center";
      pen.fillText(clockText(k * step, step), first ? x + 4 : Math.min(x, width), 20);
    }
    pen.strokeRect(GUTTER + 0.5, 3.5, plot - 1, 0);
  }

  /** Calls `paint(x, first, end)` for every pixel column with the range of entries that lies in it. */
  #columns(plot, count, stepS, paint) {
    const { from, to } = this.view;
    const scale = (to - from) / plot / stepS;
    for (let x = 0; x < plot; x += 1) {
      const first = Math.floor(from / stepS + x * scale);
      if (first >= count) break;
      paint(x, first, Math.min(count, Math.max(first + 1, Math.floor(from / stepS + (x + 1) * scale))));
    }
  }

  #line({ pen, width }, y, label = "") {
    const at = Math.round(y) + 0.5;
    pen.strokeStyle = this.colour("grid");
    pen.lineWidth = 1;
    pen.beginPath();
    pen.moveTo(GUTTER, at);
    pen.lineTo(width, at);
    pen.stroke();
    if (!label) return;
    pen.fillStyle = this.colour("muted");
    pen.textAlign = "right";
    pen.fillText(label.replace("-", "\u2212"), GUTTER - 5, at);
  }

  #name({ pen }, top, text) {
    pen.textAlign = "left";
    pen.fillStyle = this.colour("muted");
    pen.fillText(text, GUTTER, top - NAME_HEIGHT / 2);
  }
}

function extreme(values, sign, first = 0, end = values.length) {
  let found = -Infinity;
  for (let i = first; i < end; i += 1) if (sign * values[i] > found) found = sign * values[i];
  return sign * found;
}
