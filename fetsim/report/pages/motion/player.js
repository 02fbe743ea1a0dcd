"use strict";
// Time: where it stands, how fast it goes, and which sentences have come true.

const FAR_CYCLES = 1 / 8;
const STILL_STEPS_S = 0.5; // between the pictures, where less motion is wanted

class Player {
  constructor(plan, record, views) {
    this.plan = plan;
    this.record = record;
    this.views = views;
    this.at = record.startS;
    this.playing = false;
    this.items = [...document.querySelectorAll("[data-moment]")];
    this.still = matchMedia("(prefers-reduced-motion: reduce)");
    byId("play").addEventListener("click", () => this.toggle());
    byId("instant").addEventListener("input", () => this.go(record.times[Number(byId("instant").value)]));
    this.items.forEach((item, number) => {
      item.querySelector("button").addEventListener("click", () => this.goTo(number));
    });
    this.#show();
  }

  toggle(on = !this.playing) {
    if (on && this.at >= this.record.endS) this.go(this.record.startS);
    this.playing = on;
    byId("play").textContent = on ? "Pause" : "Play";
    if (!on) return;
    this.last = performance.now();
    requestAnimationFrame((now) => this.#frame(now));
  }

  /** By hand: to an instant, and no further. */
  go(at) {
    this.toggleOff();
    this.at = Math.min(Math.max(at, this.record.startS), this.record.endS);
    this.#show();
  }

  toggleOff() {
    if (this.playing) this.toggle(false);
  }

  step(by) {
    const index = this.record.index(this.at);
    this.go(this.record.times[Math.min(Math.max(index + by, 0), this.record.count - 1)]);
  }

  far(by) {
    this.go(this.at + (by * FAR_CYCLES) / this.plan.frequency_hz);
  }

  /** To the instant of a sentence, with as much time on the screen as there is from the burst's end to it. */
  goTo(number) {
    const { at_s: at } = this.plan.moments[number];
    const since = at - this.plan.burst_s;
    if (since > 0) this.views.traces.widen(2 * since);
    this.go(at);
    this.#tell(number);
  }

  next(by) {
    const { moments } = this.plan;
    const places = moments.map(({ at_s: at }) => at);
    const found = by > 0 ? places.findIndex((at) => at > this.at) : places.findLastIndex((at) => at < this.at);
    if (found >= 0) this.goTo(found);
  }

  #frame(now) {
    if (!this.playing) return;
    const passed = Math.max(0, now - this.last) / 1000; // a picture's time may lie before the key that began it
    if (!this.still.matches || passed >= STILL_STEPS_S) {
      this.last = now;
      this.#advance(passed / Number(byId("slower").value));
    }
    if (this.playing) requestAnimationFrame((later) => this.#frame(later));
  }

  #advance(seconds) {
    const next = Math.min(this.at + seconds, this.record.endS);
    const passed = this.plan.moments.findIndex(({ at_s: at }) => at > this.at && at <= next);
    const stops = passed >= 0 && byId("stops").checked;
    const last = this.plan.moments.findLastIndex(({ at_s: at }) => at > this.at && at <= next);
    this.at = stops ? this.plan.moments[passed].at_s : next;
    if (last >= 0) this.#tell(stops ? passed : last);
    if (stops || next >= this.record.endS) this.toggle(false);
    this.#show();
  }

  #tell(number) {
    const { at_s: at, event } = this.plan.moments[number];
    say(`${number + 1}. ${duration(at, 3)}: ${event}`);
  }

  #show() {
    const index = this.record.index(this.at);
    const words = duration(this.at);
    setText(byId("clock"), words);
    byId("instant").value = String(index);
    byId("instant").setAttribute("aria-valuetext", words);
    let current = -1;
    this.plan.moments.forEach(({ at_s: at }, number) => {
      if (at > this.at) return;
      current = number;
      this.items[number].classList.add("told");
    });
    this.items.forEach((item, number) => {
      if (number === current) item.setAttribute("aria-current", "step");
      else item.removeAttribute("aria-current");
    });
    this.views.loop.show(index);
    this.views.traces.show(this.at);
  }
}
