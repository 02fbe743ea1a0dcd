// A blind choice between two snapshots: their order is drawn anew for every trial and stays hidden until the last one.
// What a test is and what a result means is told by the scripts of the comparison's page (Trials, blindWords, ...).

import { byId, make, say } from "./dom.js";

const SOUNDS = ["reference", "first", "second"];
const CHOICES = ["first", "second", "none"];
const NAMES = { reference: "the reference", first: "the first", second: "the second" };

export class Blind {
  constructor(desk) {
    this.desk = desk;
    this.trials = null;
    byId("blind-form").addEventListener("submit", (event) => {
      event.preventDefault();
      this.begin();
    });
    for (const sound of SOUNDS) byId(`trial-${sound}`).addEventListener("click", () => this.hear(sound));
    for (const choice of CHOICES) byId(`answer-${choice}`).addEventListener("click", () => this.answer(choice));
    byId("trial-stop").addEventListener("click", () => this.#end("Stopped; without all trials there is no result."));
    desk.link.on("state", () => this.#loud());
    byId("result-close").addEventListener("click", () => this.#show("desk"));
  }

  begin() {
    const pair = [byId("blind-one").value, byId("blind-other").value];
    const held = this.desk.state?.snapshots ?? {};
    const missing = pair.find((slot) => held[slot] === undefined);
    if (missing) return say(`Snapshot ${missing} holds nothing yet.`);
    if (pair[0] === pair[1]) return say("Choose two different snapshots.");
    const kind = byId("blind-kind").value;
    this.pair = pair;
    this.trials = new Trials(kind, [0, 1], Number(byId("blind-count").value));
    byId("trial-task").textContent = kind === "blind"
      ? "One of the two unknowns is the reference. Which one?"
      : "Two snapshots in an order drawn anew for every trial. Which one do you like better?";
    byId("trial-reference").hidden = kind !== "blind";
    byId("answer-none").hidden = kind === "blind";
    const verb = kind === "blind" ? "is the reference" : "is better";
    byId("answer-first").textContent = `The first ${verb}`;
    byId("answer-second").textContent = `The second ${verb}`;
    this.#loud();
    this.#show("trial");
    this.#next("");
    byId("trial-title").focus();
  }

  hear(sound) {
    if (!this.trials?.sounds.includes(sound)) return;
    this.sound = sound;
    this.desk.recall(this.pair[this.trials.version(sound)]);
    if (this.desk.sound.state === "playing") this.trials.note(sound);
    this.#mark();
    say(`Heard: ${NAMES[sound]}`);
  }

  answer(choice) {
    if (!this.trials?.choices.includes(choice)) return;
    if (!this.trials.ready) return say("Listen to the first and to the second before you answer.");
    this.trials.answer(choice);
    if (this.trials.done) this.#finish();
    else this.#next("Noted. ");
  }

  #next(before) {
    const { trials } = this;
    byId("trial-number").textContent = `Trial ${trials.number} of ${trials.count}`;
    this.hear(trials.sounds[0]);
    say(`${before}Trial ${trials.number} of ${trials.count}. Heard: ${NAMES[this.sound]}`);
  }

  /** Whether levels are matched; their loudness may come later. */
  #loud() {
    if (this.pair) byId("trial-loud").hidden = this.desk.matched && this.pair.every((slot) => this.desk.matchOf(slot) !== null);
  }

  #mark() {
    for (const sound of SOUNDS) byId(`trial-${sound}`).setAttribute("aria-pressed", String(sound === this.sound));
    for (const choice of CHOICES) byId(`answer-${choice}`).setAttribute("aria-disabled", String(!this.trials.ready));
  }

  #finish() {
    const { kind } = this.trials;
    const figures = this.trials.result();
    const names = this.pair.map((slot) => `snapshot ${slot}`);
    const lines = kind === "blind" ? blindWords(figures) : preferenceWords(figures, names);
    byId("result-words").replaceChildren(...lines.map((text) => make("p", { textContent: text })));
    this.trials = null;
    this.#show("result");
    byId("result-title").focus();
    say(lines[0]);
  }

  #end(text) {
    this.trials = null;
    this.#show("desk");
    say(text);
  }

  /** The open desk, a trial, a result: only one of the three is there. */
  #show(face) {
    document.body.dataset.face = face;
    for (const one of document.querySelectorAll("[data-on]")) one.hidden = !one.dataset.on.split(" ").includes(face);
    if (face === "desk") byId("play").focus();
  }
}
