"use strict";
// A listening test on the screen: one form to begin, one panel for the trials, one for the result.

const SOUND_NAMES = { reference: "the reference", first: "the first", second: "the second" };

class ListeningTest {
  constructor(plan, player, desk) {
    this.plan = plan;
    this.player = player;
    this.desk = desk;
    this.trials = null;
    this.sound = null;
    if (!byId("blind-start")) return; // fewer than two versions to play
    for (const kind of ["blind", "preference"]) {
      byId(`${kind}-start`).addEventListener("click", () => this.start(kind));
    }
    byId("blind-count").addEventListener("input", () => this.#tellNeeded());
    for (const sound of ["reference", "first", "second"]) {
      byId(`hear-${sound}`).addEventListener("click", () => this.hear(sound));
    }
    for (const choice of ["first", "second", "none"]) {
      byId(`answer-${choice}`).addEventListener("click", () => this.answer(choice));
    }
    byId("trial-stop").addEventListener("click", () => this.stop());
    byId("result-close").addEventListener("click", () => this.#show("desk"));
    byId("result-save").addEventListener("click", () => this.#save());
    let playing = false;
    player.addEventListener("change", () => {
      if (player.state === "playing" && !playing && this.trials) this.#note();
      playing = player.state === "playing";
    });
    this.#tellNeeded();
  }

  start(kind) {
    const field = byId(`${kind}-count`);
    const pair = [Number(byId(`${kind}-one`).value), Number(byId(`${kind}-other`).value)];
    if (!field.reportValidity()) return;
    if (pair[0] === pair[1]) {
      say("Choose two different versions.");
      byId(`${kind}-other`).focus();
      return;
    }
    this.began = new Date();
    this.trials = new Trials(kind, pair, Number(field.value));
    byId("trial-title").textContent = kind === "blind" ? "Blind test" : "Preference";
    byId("trial-task").textContent = kind === "blind"
      ? "One of the two unknowns is the reference, the other is the other version. Which one is the reference?"
      : "The same two versions in an order drawn anew for every trial. Which one do you like better?";
    byId("hear-reference").hidden = kind !== "blind";
    byId("answer-none").hidden = kind === "blind";
    byId("answer-first").textContent = kind === "blind" ? "The first is the reference" : "I like the first better";
    byId("answer-second").textContent = kind === "blind" ? "The second is the reference" : "I like the second better";
    byId("trial-loud").hidden = this.desk.matched && this.plan.matching !== "none";
    if (!this.player.loop.on) this.player.setLoop(this.player.loop.from, this.player.loop.to, true); // or it would end
    this.#show("trial");
    this.#next("");
    byId("trial-title").focus();
  }

  hear(sound) {
    if (!this.trials.sounds.includes(sound)) return;
    this.sound = sound;
    this.desk.hearVersion(this.trials.version(sound));
    if (this.player.state === "playing") this.#note();
    this.#mark();
    say(`Heard: ${SOUND_NAMES[sound]}`);
  }

  answer(choice) {
    if (!this.trials.choices.includes(choice)) return;
    if (!this.trials.ready) {
      say("Listen to the first and to the second before you answer.");
      return;
    }
    this.trials.answer(choice);
    if (this.trials.done) this.#finish();
    else this.#next("Noted. ");
  }

  /** Leave before the end: no result, because a test that ends when it looks good is none. */
  stop() {
    const { answers, count } = this.trials;
    this.trials = null;
    this.#show("desk");
    say(`Stopped after ${answers.length} of ${count} trials; without all of them there is no result.`);
  }

  #next(before) {
    const { trials } = this;
    byId("trial-number").textContent = `Trial ${trials.number} of ${trials.count}`;
    byId("trial-done").max = trials.count;
    byId("trial-done").value = trials.answers.length;
    this.hear(trials.sounds[0]);
    say(`${before}Trial ${trials.number} of ${trials.count}. Heard: ${SOUND_NAMES[this.sound]}`);
  }

  #note() {
    this.trials.note(this.sound);
    this.#mark();
  }

  #mark() {
    for (const sound of ["reference", "first", "second"]) {
      byId(`hear-${sound}`).setAttribute("aria-pressed", String(sound === this.sound));
    }
    for (const choice of ["first", "second", "none"]) {
      byId(`answer-${choice}`).setAttribute("aria-disabled", String(!this.trials.ready));
    }
  }

  #finish() {
    const { kind, pair } = this.trials;
    const figures = this.trials.result();
    const names = pair.map((version) => this.plan.versions[version].name);
    const words = kind === "blind" ? blindWords(figures) : preferenceWords(figures, names.map(isolated));
    this.trials = null;
    this.report = {
      test: kind === "blind" ? "which of two unknowns is the reference" : "which of two is preferred, order random",
      ...this.plan.about,
      versions: this.plan.versions.map(({ name }) => name),
      [kind === "blind" ? "reference_and_other" : "pair"]: pair,
      level_matched: this.desk.matched && this.plan.matching !== "none",
      began: this.began.toISOString(),
      ended: new Date().toISOString(),
      ...figures,
      meaning: words,
    };
    byId("result-words").replaceChildren(...words.map((text) => Object.assign(document.createElement("p"), { textContent: text })));
    this.#show("result");
    byId("result-title").focus();
    say(words[0]);
  }

  #save() {
    const blob = new Blob([JSON.stringify(this.report, null, 2)], { type: "application/json" });
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = `listening-test-${this.report.ended.slice(0, 19).replace(/[:T]/g, "-")}.json`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  }

  /** One of three faces: the open desk, a running trial, a result. */
  #show(face) {
    document.body.dataset.face = face;
    this.desk.blinded = face === "trial";
    for (const one of document.querySelectorAll("[data-on]")) one.hidden = !one.dataset.on.split(" ").includes(face);
    if (face !== "trial") this.desk.again();
    if (face === "desk") byId("play").focus();
  }

  #tellNeeded() {
    const count = Number(byId("blind-count").value);
    const whole = byId("blind-count").checkValidity() && Number.isInteger(count);
    const needed = whole ? neededRight(count) : null;
    byId("blind-needed").textContent = needed === null ? "" : `${needed} of ${count} right give ${pText(guessingP(needed, count))}; ${needed - 1} right give ${pText(guessingP(needed - 1, count))}.`;
  }
}
