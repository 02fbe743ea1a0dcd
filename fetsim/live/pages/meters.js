// Gain reduction over the last seconds, and readings in figures, at the instant at which they are heard.

import { colour, pen, rounds, scale } from "./canvas.js";
import { amount, byId, make, number } from "./dom.js";

const SHOWN_S = 10;
const HEIGHT = 150;
const READ_MS = 150;
const LEAST_DB = 12; // of the scale
const SUBSTEP_S = 0.001;
const SCALE_DB = 20; // of the bar of a standard needle; of a meter of the unit's own, its last mark

export class Meters {
  constructor(link, sound, clock) {
    this.sound = sound;
    this.clock = clock;
    this.waiting = [];
    this.rows = []; // one list a channel
    this.lastRead = 0;
    link.on("hello", (hello) => {
      this.rowsHz = hello.rows_hz;
      this.needles = Array.from({ length: hello.channels }, () => ({ at: null, speed: 0 }));
      byId("needle-bars").replaceChildren(...this.needles.map(() => make("div", { className: "bar" }, make("div"))));
      this.rows = Array.from({ length: hello.channels }, () => []);
      byId("reduction-part").hidden = !hello.unit.has_cell;
    });
    link.on("state", ({ needles }) => {
      this.laws = needles;
      const own = needles.map((one) => one.part).filter(Boolean);
      byId("needle-name").textContent = own.length ? `Needle of ${own.join(" / ")}` : "Needle, standard ballistics";
    });
    link.on("meters", (message) => {
      while (this.waiting.length && this.waiting.at(-1).frame >= message.frame) this.waiting.pop(); // replaced
      this.waiting.push(message);
    });
    link.on("begin", ({ anew }) => anew && (this.waiting = []));
    this.scopes = [];
  }

  /** What has been heard since it was last called. */
  paint() {
    const frame = this.sound.frame;
    let latest = null;
    while (this.waiting.length && (frame === null || this.waiting[0].frame <= frame || this.waiting.length > 100)) {
      latest = this.waiting.shift();
      this.#keep(latest);
    }
    if (latest) {
      this.clock(latest);
      this.#draw();
      if (performance.now() - this.lastRead > READ_MS) this.#read(latest);
    }
  }

  #keep({ rows, coils, march_s: seconds, scope }) {
    coils.forEach((coil, channel) => coil.forEach((one) => this.#swing(channel, one, seconds / coil.length)));
    rows.forEach((one, channel) => {
      const kept = this.rows[channel];
      one.gain_reduction_mean_db.forEach((mean, k) => {
        kept.push({ mean, most: one.gain_reduction_max_db[k] });
        if (!this.#law(channel).part) this.#swing(channel, mean, 1 / this.rowsHz);
      });
      if (kept.length > SHOWN_S * this.rowsHz) kept.splice(0, kept.length - SHOWN_S * this.rowsHz);
    });
    if (scope) this.scopes.forEach((show) => show(scope));
  }

  #law(channel) {
    return this.laws[channel] ?? this.laws[0]; // channels of a file through one and the same unit
  }

  /** A needle for so long: driven by the current through the unit's own meter, or by the gain reduction in dB. */
  #swing(channel, target, seconds) {
    const needle = this.needles[channel];
    const { damping, natural_rad_s: w } = this.#law(channel);
    const steps = Math.ceil(seconds / SUBSTEP_S);
    needle.at ??= target;
    for (let k = 0; k < steps; k += 1) {
      needle.speed += (seconds / steps) * (w * w * (target - needle.at) - 2 * damping * w * needle.speed);
      needle.at += (seconds / steps) * needle.speed;
    }
  }

  #needle() {
    const bars = byId("needle-bars").children;
    byId("read-needle").textContent = this.needles.map(({ at }, channel) => {
      const { part, marks } = this.#law(channel);
      if (at === null) return "\u2013";
      const db = part ? onScale(marks, at) : at;
      const most = part ? Math.max(...marks.map(([, one]) => one)) : SCALE_DB;
      bars[channel].firstChild.style.width = `${Math.min(Math.max((100 * db) / most, 0), 100)}%`;
      return part ? `${number(db)} dB, pointer at ${Math.round(100 * at)} %` : `${number(db)} dB`;
    }).join(" / ");
  }

  #read({ rows, busy, late }) {
    this.lastRead = performance.now();
    const last = (name) => rows.map((one) => one[name].at(-1)).filter((one) => one !== undefined);
    const show = (id, name, write) => {
      const values = last(name);
      if (values.length) byId(id).textContent = values.map(write).join(" / ");
    };
    show("read-reduction", "gain_reduction_max_db", (x) => `${number(x)} dB`);
    show("read-input", "input_rms_dbu", (x) => `${number(x)} dBu`);
    show("read-input-peak", "input_peak_dbu", (x) => `${number(x)} dBu`);
    show("read-output", "output_rms_dbu", (x) => `${number(x)} dBu`);
    show("read-output-peak", "output_peak_dbu", (x) => `${number(x)} dBu`);
    show("read-control", "control_mean_v", (x) => amount(x, "V"));
    show("read-channel", "channel_resistance_min_ohm", (x) => (x === null ? "off" : amount(x, "ohm")));
    this.#needle();
    byId("read-busy").textContent = `${Math.round(100 * busy)} % of real time`;
    byId("read-late").textContent = `${this.sound.dropouts} here, ${this.sound.silentS.toFixed(2)} s of silence; blocks sent late: ${late}`;
  }

  #draw() {
    const canvas = byId("reduction");
    const found = pen(canvas, HEIGHT);
    const { context, width, height } = found;
    const all = this.rows.flat();
    const most = Math.max(LEAST_DB, ...all.map((one) => one.most));
    const place = (db) => 8 + ((height - 16) * Math.max(db, -1)) / most;
    scale(found, 0, height, rounds(0, most), place, (db) => `${Math.round(db)} dB`);
    this.rows.forEach((rows, channel) => {
      const x = (k) => width - ((rows.length - 1 - k) / (SHOWN_S * this.rowsHz)) * (width - 50);
      const line = (name, alpha, dash) => {
        context.beginPath();
        rows.forEach((row, k) => context.lineTo(x(k), place(row[name])));
        context.globalAlpha = alpha;
        context.setLineDash(dash);
        context.strokeStyle = colour(channel ? "--wave" : "--reduction");
        context.stroke();
      };
      line("most", 0.45, []);
      line("mean", 1, channel ? [6, 3] : []);
    });
    context.globalAlpha = 1;
    context.setLineDash([]);
  }
}

/** What stands at a share of full scale, straight from mark to mark. */
function onScale(marks, share) {
  const k = marks.findIndex(([one]) => one > share);
  if (k <= 0) return marks.at(k)[1];
  const [[from, low], [to, high]] = [marks[k - 1], marks[k]];
  return low + ((high - low) * (share - from)) / (to - from);
}
