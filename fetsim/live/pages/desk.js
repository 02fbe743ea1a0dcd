// Around the sound: transport, undo, snapshots at one loudness, figures, what was changed and where it goes.

import { colour, pen, rounds, scale } from "./canvas.js";
import { byId, isolated, make, number, say } from "./dom.js";

export const SLOTS = ["A", "B", "C"];
const CURVE_HEIGHT = 220;
const HEARD_MS = 400; // and what was asked for is heard, or was there already

export class Desk {
  constructor(link, sound) {
    this.link = link;
    this.sound = sound;
    this.state = null;
    this.asked = null; // when the last change was asked for
    this.#wire();
    link.on("hello", (hello) => this.#hello(hello));
    link.on("state", (state) => this.#state(state));
    link.on("asked", () => (this.asked = performance.now()));
    link.on("took", ({ at_frame: frame }) => this.#took(frame));
    link.on("figures", (figures) => this.#figures(figures));
    link.on("file", ({ name, text }) => save(name, text));
    link.on("strain", ({ text }) => (byId("strain").textContent = text));
    link.on("said", ({ text }) => say(text));
    link.on("wrong", ({ text }) => say(text, true));
    link.on("open", () => say("Ready."));
    link.on("closed", () => say("The program does not answer. This page goes on by itself when it is back."));
    sound.addEventListener("played", () => this.#heard());
  }

  do(what, more = {}) {
    this.link.send({ do: what, ...more });
  }

  /** Hear a snapshot, or the beginning. */
  recall(slot) {
    if (slot !== "start" && !this.state?.snapshots[slot]) say(`Snapshot ${slot} holds nothing yet.`);
    else this.do("recall", { slot });
  }

  keep(slot) {
    this.do("keep", { slot });
    say(`Kept as snapshot ${slot}.`);
  }

  setLevel(db) {
    const slider = byId("level");
    slider.value = db;
    const value = Number(slider.value);
    byId("level-text").textContent = `${value} dB`.replace("-", "\u2212");
    slider.setAttribute("aria-valuetext", `${value} decibels`);
    this.sound.setLevel(value);
  }

  /** Gain that brings a slot to the loudness of the quietest one; null while that is not known. */
  matchOf(slot) {
    const known = SLOTS.filter((one) => this.state.snapshots[one] !== undefined);
    const loudness = known.map((one) => this.state.loudness[one]);
    if (loudness.some((one) => one === undefined || one === null)) return null;
    return Math.min(...loudness) - this.state.loudness[slot];
  }

  get matched() {
    return byId("matched").checked;
  }

  /** Where in the programme it is, told by the meters. */
  clock({ place_s: seconds }) {
    byId("clock").textContent = seconds.toFixed(1);
  }

  #wire() {
    const click = (id, then) => byId(id).addEventListener("click", then);
    click("play", () => this.sound.toggle());
    click("undo", () => this.do("undo"));
    click("redo", () => this.do("redo"));
    click("reset", () => this.do("reset"));
    click("hear-start", () => this.recall("start"));
    for (const slot of SLOTS) {
      click(`hear-${slot}`, () => this.recall(slot));
      click(`keep-${slot}`, () => this.keep(slot));
    }
    for (const what of ["changes", "unit", "log", "compare"]) click(`export-${what}`, () => this.do("export", { what }));
    click("loop-all", () => this.do("loop", { from_s: 0, to_s: this.seconds }));
    for (const id of ["loop-from", "loop-to"]) {
      byId(id).addEventListener("change", () => this.do("loop", { from_s: Number(byId("loop-from").value), to_s: Number(byId("loop-to").value) }));
    }
    byId("quality").addEventListener("change", (event) => this.do("quality", { quality: event.target.value }));
    byId("level").addEventListener("input", (event) => this.setLevel(Number(event.target.value)));
    byId("matched").addEventListener("change", () => this.#match());
    addEventListener("resize", () => this.#curve());
    this.setLevel(-30);
  }

  #hello({ unit, programme, rate_hz: rate, channels, frames, folder, version }) {
    this.rate = rate;
    this.seconds = frames / rate;
    document.title = unit.name;
    byId("title").textContent = unit.name;
    const kind = { 1: "mono", 2: "stereo" }[channels];
    const facts = [unit.about, `${isolated(programme)}, ${this.seconds.toFixed(1)} s, ${rate / 1000} kHz, ${kind}`, `fetsim ${version}`];
    byId("facts").replaceChildren(...facts.map((text) => make("span", {}, make("bdi", { textContent: text }))));
    byId("length").textContent = this.seconds.toFixed(1);
    byId("folder").textContent = folder;
  }

  #state(state) {
    this.state = state;
    byId("undo").disabled = !state.undo;
    byId("redo").disabled = !state.redo;
    byId("quality").value = state.quality;
    if (!document.activeElement?.matches("#loop-from, #loop-to")) {
      byId("loop-from").value = state.loop.from_s.toFixed(2);
      byId("loop-to").value = state.loop.to_s.toFixed(2);
    }
    byId("hear-start").setAttribute("aria-pressed", String(state.heard === "start"));
    for (const slot of SLOTS) {
      const held = state.snapshots[slot];
      byId(`hear-${slot}`).setAttribute("aria-pressed", String(state.heard === slot));
      byId(`hear-${slot}`).setAttribute("aria-disabled", String(held === undefined));
      const loud = held === undefined ? "" : slot in state.loudness ? (state.loudness[slot] === null ? "silent" : `${number(state.loudness[slot])} LUFS`) : "loudness is being measured";
      byId(`held-${slot}`).textContent = held === undefined ? "empty" : held;
      byId(`loud-${slot}`).textContent = loud;
    }
    this.#match();
    const rows = state.differences.map((row) => make("tr", {}, ...row.map((text, k) => make(k ? "td" : "th", k ? {} : { scope: "row" }, make("bdi", { textContent: text })))));
    byId("differences").replaceChildren(...rows);
    byId("nothing").hidden = rows.length > 0;
    byId("differences-table").hidden = rows.length === 0;
    byId("figures-stale").hidden = !state.working;
  }

  #match() {
    if (!this.state) return;
    const { heard } = this.state;
    if (SLOTS.includes(heard) && this.matched) {
      const gain = this.matchOf(heard);
      byId("match-text").textContent = gain === null ? "waits for the loudness of all snapshots" : `${number(gain)} dB on ${heard}`;
      if (gain !== null) this.#setMatch(gain);
    } else {
      byId("match-text").textContent = "";
      this.#setMatch(0);
    }
  }

  /** Levels change together with the sound: when what was asked for is heard. */
  #setMatch(gain) {
    clearTimeout(this.matching);
    this.match = () => this.sound.setMatch(gain);
    if (this.asked === null && !this.due) this.match();
    else this.matching = setTimeout(this.match, HEARD_MS);
  }

  /** How long it takes until what was asked for is heard. */
  #took(frame) {
    if (this.sound.state !== "playing") this.asked = this.due = null;
    if (this.asked === null && !this.due) return;
    this.due = { frame, asked: this.asked ?? this.due.asked }; // of an edition that came too late it is told again
    this.asked = null;
  }

  #heard() {
    if (!this.due || this.sound.frame === null || this.sound.frame < this.due.frame) return;
    const output = 1000 * (this.sound.context.outputLatency || this.sound.context.baseLatency || 0);
    const since = (1000 * (this.sound.frame - this.due.frame)) / this.rate; // it was told a little later
    const milliseconds = Math.round(performance.now() - since - this.due.asked + output);
    this.due = null;
    this.match?.();
    byId("read-latency").textContent = `${milliseconds} ms`;
    byId("read-latency").title = `${Math.round(output)} ms of it behind this page, in the browser's output`;
  }

  #figures(figures) {
    byId("figures-stale").hidden = true;
    this.figures = figures;
    const show = (id, value, digits, unit) => (byId(id).textContent = value === undefined || value === null ? "\u2013" : `${number(value, digits)} ${unit}`);
    show("figure-threshold", figures.threshold_dbu, 2, "dBu");
    show("figure-attack", figures.attack_ms, 2, "ms");
    show("figure-release", figures.release_ms, 0, "ms");
    show("figure-thd", figures.thd_percent, 3, "%");
    byId("figures-reasons").textContent = figures.text ?? figures.reasons.join("; ");
    this.before ??= figures.input_dbu?.length ? figures : undefined;
    this.#curve();
  }

  #curve() {
    const { figures } = this;
    byId("curve-part").hidden = !figures?.input_dbu?.length;
    if (byId("curve-part").hidden) return;
    const found = pen(byId("curve"), CURVE_HEIGHT);
    const { context, width, height } = found;
    const [low, high] = [figures.input_dbu[0], figures.input_dbu.at(-1)];
    const outputs = [...figures.output_dbu, ...(this.before?.output_dbu ?? [])];
    const [least, most] = [Math.min(...outputs) - 2, Math.max(...outputs) + 2];
    const x = (value) => 50 + ((width - 58) * (value - low)) / (high - low);
    const y = (value) => 8 + ((height - 30) * (most - value)) / (most - least);
    scale(found, 0, height - 20, rounds(least, most), y, (value) => `${value}`);
    context.fillStyle = colour("--muted");
    context.textAlign = "center";
    for (const value of rounds(low, high)) context.fillText(`${value}`, Math.min(x(value), width - 12), height - 6);
    const line = (one, name, dash) => {
      context.beginPath();
      one.input_dbu.forEach((value, k) => context.lineTo(x(value), y(one.output_dbu[k])));
      context.strokeStyle = colour(name);
      context.setLineDash(dash);
      context.stroke();
    };
    if (this.before && this.before !== figures) line(this.before, "--muted", [5, 4]);
    line(figures, "--accent", []);
    context.setLineDash([]);
    const told = figures.input_dbu.map((value, k) => `${value} to ${figures.output_dbu[k].toFixed(1)}`).join(", ");
    byId("curve").setAttribute("aria-label", `Static curve at 1 kHz, input to output in dBu: ${told}`);
  }
}

/** A text as a file of the browser: nothing is written by the program. */
function save(name, text) {
  const link = make("a", { href: URL.createObjectURL(new Blob([text], { type: "text/plain" })), download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  say(`Saved as ${name}.`);
}
