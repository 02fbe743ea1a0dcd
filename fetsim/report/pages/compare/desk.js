"use strict";
// The open desk: what is heard, position, loop, level, and the drawings. Every key does what some control does.

const SEEK_S = 1;
const FAR_SEEK_S = 10;
const LEVEL_STEP_DB = 1;
const MOST_RAISE_DB = 40;
const RAISED_UNDER_DB = 10; // a raised difference stays so far under the programme

const byId = (id) => document.getElementById(id);

/** A user's text inside a sentence, kept from turning the sentence's direction. */
function isolated(text) {
  return `\u2068${text}\u2069`;
}

/** Says it to screen readers, and shows it. */
function say(text) {
  byId("status").textContent = text;
}

class Desk {
  constructor(plan, player, tracks) {
    this.plan = plan;
    this.player = player;
    this.tracks = tracks;
    this.rate = plan.rate_hz;
    this.choice = { version: 0, difference: false };
    this.blinded = false;
    this.marks = [...document.querySelectorAll(".mark")];
    this.shades = [...document.querySelectorAll(".shade")];
    this.meters = [...document.querySelectorAll(".now")];
    this.#wireTransport();
    this.#wireChoice();
    this.#wireDrawings();
    player.addEventListener("change", ({ detail }) => this.#refresh(detail));
    this.#refresh("");
  }

  get matched() {
    return byId("matched")?.checked ?? true;
  }

  /** Gain of a version: 1 when matched; else its own level again, the loudest of all staying where it was. */
  versionGain(version) {
    if (this.matched) return 1;
    const own = (one) => -one.match_gain_db;
    return decibelsToGain(own(this.plan.versions[version]) - Math.max(...this.plan.versions.map(own)));
  }

  hearVersion(version) {
    this.player.hear(this.plan.versions.map((_, i) => (i === version ? this.versionGain(i) : 0)));
  }

  choose(version, difference) {
    const one = this.plan.versions[version];
    if (!one || (difference && one.difference === null)) return;
    this.choice = { version, difference };
    const radio = byId(`${difference ? "difference" : "version"}-${version}`);
    radio.checked = true;
    document.querySelectorAll(".version").forEach((box, i) => box.classList.toggle("heard", i === version));
    if (difference) {
      const raise = decibelsToGain(this.#raiseDb(one.difference));
      this.player.hear(this.plan.versions.map((_, i) => ((i === version) - (i === 0)) * this.versionGain(i) * raise));
    } else {
      this.hearVersion(version);
    }
    say(this.#choiceText());
  }

  /** Take up the choice again, after a test or when its level has changed. */
  again() {
    this.choose(this.choice.version, this.choice.difference);
  }

  seekBy(seconds) {
    this.player.seek(this.player.position + seconds * this.rate);
    this.#sayPosition();
  }

  setLevel(db) {
    const slider = byId("level");
    slider.value = db;
    const value = Number(slider.value);
    byId("level-text").textContent = `${value} dB`.replace("-", "\u2212");
    slider.setAttribute("aria-valuetext", `${value} decibels`);
    this.player.setLevel(value);
  }

  toggle() {
    if (this.player.state === "stopped") this.player.play();
    else this.player.pause();
  }

  /** Called for every picture while playing. */
  paint() {
    const seconds = this.player.position / this.rate;
    const { view } = this.tracks;
    if (this.player.state === "playing" && (seconds < view.from || seconds > view.to)) {
      const span = view.to - view.from;
      this.tracks.show(Math.min(seconds, this.tracks.duration - span), Math.min(seconds + span, this.tracks.duration));
      this.#placeLoop();
    }
    byId("clock").textContent = clockText(seconds);
    const share = this.tracks.share(seconds);
    for (const mark of this.marks) {
      mark.hidden = share < 0 || share > 1;
      mark.style.left = `calc(${GUTTER}px + ${share} * (100% - ${GUTTER}px))`;
    }
    if (!this.blinded) {
      this.meters.forEach((meter, i) => {
        const db = this.tracks.reductionAt(i, seconds);
        if (db !== null) meter.textContent = `${Math.max(0, db).toFixed(1)} dB`;
      });
    }
    const slider = byId("position");
    slider.setAttribute("aria-valuenow", seconds.toFixed(1));
    slider.setAttribute("aria-valuetext", `${clockText(seconds)} of ${clockText(this.tracks.duration)}`);
  }

  loopHere(edge) {
    const { loop, position } = this.player;
    if (edge === "from") this.player.setLoop(position, loop.to > position ? loop.to : this.plan.frames, true);
    else this.player.setLoop(loop.from < position ? loop.from : 0, position, true);
    this.#sayLoop();
  }

  switchLoop(on) {
    this.player.setLoop(this.player.loop.from, this.player.loop.to, on);
    this.#sayLoop();
  }

  clearLoop() {
    this.player.setLoop(0, this.plan.frames, false);
    this.#sayLoop();
  }

  zoom(toLoop) {
    const { from, to } = this.player.loop;
    if (toLoop) {
      const margin = 0.05 * (to - from);
      this.tracks.show((from - margin) / this.rate, (to + margin) / this.rate);
    } else {
      this.tracks.show(0, this.tracks.duration);
    }
    byId("zoom").textContent = this.zoomed ? "Show all" : "Zoom to loop";
    this.#placeLoop();
    this.paint();
    say(`Shown: ${clockText(this.tracks.view.from)} to ${clockText(this.tracks.view.to)} s`);
  }

  get zoomed() {
    return this.tracks.view.to - this.tracks.view.from < this.tracks.duration - 1e-6;
  }

  #wireTransport() {
    byId("play").addEventListener("click", () => this.toggle());
    byId("level").addEventListener("input", (event) => this.setLevel(Number(event.target.value)));
    byId("loop-on").addEventListener("change", (event) => this.switchLoop(event.target.checked));
    for (const id of ["loop-from", "loop-to"]) {
      byId(id).addEventListener("change", () => {
        const [from, to] = [Number(byId("loop-from").value), Number(byId("loop-to").value)];
        this.player.setLoop(from * this.rate, to * this.rate, true);
        this.#sayLoop();
      });
    }
    byId("loop-clear").addEventListener("click", () => this.clearLoop());
    byId("zoom").addEventListener("click", () => this.zoom(!this.zoomed));
    this.setLevel(Number(byId("level").value));
  }

  #wireChoice() {
    this.plan.versions.forEach((one, version) => {
      byId(`version-${version}`).addEventListener("change", () => this.choose(version, false));
      byId(`difference-${version}`)?.addEventListener("change", () => this.choose(version, true));
    });
    byId("matched")?.addEventListener("change", () => {
      this.again();
      say(this.matched ? "Levels matched." : "Levels as the versions left them; the loudest stays where it was.");
    });
    byId("raised")?.addEventListener("change", () => this.again());
  }

  #wireDrawings() {
    for (const canvas of document.querySelectorAll("canvas.track, canvas.ruler")) {
      let start = null;
      canvas.addEventListener("pointerdown", (event) => {
        if (event.button !== 0) return;
        canvas.setPointerCapture(event.pointerId);
        start = { x: event.clientX, seconds: this.tracks.timeAt(event, canvas), moved: false };
      });
      canvas.addEventListener("pointermove", (event) => {
        if (!start) return;
        start.moved ||= Math.abs(event.clientX - start.x) > DRAG_PX;
        if (start.moved) this.#shade(start.seconds, this.tracks.timeAt(event, canvas));
      });
      canvas.addEventListener("pointerup", (event) => {
        if (!start) return;
        const [from, to] = [start.seconds * this.rate, this.tracks.timeAt(event, canvas) * this.rate];
        const { moved } = start;
        start = null;
        if (!moved) {
          this.player.seek(to);
          this.#sayPosition();
          return;
        }
        this.player.setLoop(from, to, true);
        this.#sayLoop();
      });
      canvas.addEventListener("pointercancel", () => {
        start = null;
        this.#placeLoop();
      });
    }
  }

  #raiseDb({ level_db: level, peak_db: peak }) {
    const wanted = byId("raised").checked && this.matched ? Math.min(MOST_RAISE_DB, -level - RAISED_UNDER_DB) : 0;
    return Math.min(wanted, -peak); // never above the programme's own peak
  }

  #choiceText() {
    const { version, difference } = this.choice;
    const { name, difference: found } = this.plan.versions[version];
    if (!difference) return `Heard: ${isolated(name)}`;
    const raise = this.#raiseDb(found);
    return `Heard: what ${isolated(name)} adds or takes away${raise > 0.05 ? `, raised by ${raise.toFixed(1)} dB` : ""}`;
  }

  #sayPosition() {
    this.paint();
    say(`At ${clockText(this.player.position / this.rate)}`);
  }

  #sayLoop() {
    const { from, to, on } = this.player.loop;
    say(on ? `Loop from ${clockText(from / this.rate, 0.01)} to ${clockText(to / this.rate, 0.01)} s` : "Loop off");
  }

  #refresh(message) {
    const { state, loop } = this.player;
    byId("play").textContent = { stopped: "Play", waiting: "Wait \u2026", playing: "Pause" }[state];
    byId("loop-on").checked = loop.on;
    byId("loop-from").value = (loop.from / this.rate).toFixed(2);
    byId("loop-to").value = (loop.to / this.rate).toFixed(2);
    this.#placeLoop();
    this.paint();
    if (message) say(message);
    if (state === "playing") this.#animate();
  }

  #animate() {
    if (this.animated) return;
    this.animated = true;
    const step = () => {
      this.paint();
      this.animated = this.player.state === "playing";
      if (this.animated) requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  }

  #placeLoop() {
    const { from, to, on } = this.player.loop;
    if (on) this.#shade(from / this.rate, to / this.rate);
    else this.shades.forEach((shade) => { shade.hidden = true; });
  }

  #shade(one, other) {
    const [left, right] = [Math.min(one, other), Math.max(one, other)].map((s) => Math.min(1, Math.max(0, this.tracks.share(s))));
    for (const shade of this.shades) {
      shade.hidden = right <= left;
      shade.style.left = `calc(${GUTTER}px + ${left} * (100% - ${GUTTER}px))`;
      shade.style.width = `calc(${right - left} * (100% - ${GUTTER}px))`;
    }
  }
}
