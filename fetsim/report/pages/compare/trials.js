"use strict";
// What a listening test is, without buttons: an order drawn at random that nobody sees, answers, and what they mean.

/** `count` fair coin tosses, 0 or 1, from the browser's source of random numbers for cryptography. */
function tosses(count) {
  return Array.from(crypto.getRandomValues(new Uint8Array(count)), (byte) => byte & 1);
}

/**
 * A series of trials; their number is fixed when it begins.
 *
 * kind "blind": one of two unknowns, "first" and "second", is version pair[0], which may also be heard openly as
 * "reference"; which one is it? kind "preference": first and second are the pair in random order; which is better?
 * The order stays in here until the last answer.
 */
class Trials {
  #order;

  constructor(kind, pair, count) {
    this.kind = kind;
    this.pair = pair;
    this.count = count;
    this.answers = [];
    this.#order = tosses(count); // 0: pair[0] is first
    this.#begin();
  }

  get number() {
    return Math.min(this.count, this.answers.length + 1);
  }

  get done() {
    return this.answers.length === this.count;
  }

  get sounds() {
    return this.kind === "blind" ? ["reference", "first", "second"] : ["first", "second"];
  }

  get choices() {
    return this.kind === "blind" ? ["first", "second"] : ["first", "second", "none"];
  }

  /** Index of the version that is `sound` in this trial. */
  version(sound) {
    if (sound === "reference") return this.pair[0];
    return this.pair[Number((sound === "second") !== (this.#order[this.answers.length] === 1))];
  }

  /** `sound` has begun to be heard. */
  note(sound) {
    this.heard[sound] += 1;
  }

  /** Whether both unknowns were heard, without which an answer is no answer. */
  get ready() {
    return this.heard.first > 0 && this.heard.second > 0;
  }

  answer(choice) {
    this.answers.push({ choice, heard: { ...this.heard }, seconds: Math.round((performance.now() - this.began) / 100) / 10 });
    if (!this.done) this.#begin();
  }

  /** Everything, order included; only when all are answered. */
  result() {
    if (!this.done) throw new Error("the test is not finished");
    const trials = this.answers.map(({ choice, heard, seconds }, i) => {
      const placed = this.#order[i] === 0 ? "first" : "second"; // where pair[0] was
      const chosen = choice === "none" ? null : this.pair[Number(choice !== placed)];
      return this.kind === "blind"
        ? { reference_was: placed, answered: choice, right: choice === placed, heard, seconds }
        : { first_was: this.pair[Number(placed === "second")], answered: choice, preferred: chosen, heard, seconds };
    });
    return { trials, ...(this.kind === "blind" ? blindFigures(trials) : preferenceFigures(trials, this.pair)) };
  }

  #begin() {
    this.heard = { reference: 0, first: 0, second: 0 };
    this.began = performance.now();
  }
}

function blindFigures(trials) {
  const [count, right] = [trials.length, trials.filter((trial) => trial.right).length];
  return { count, right, p_value: guessingP(right, count), p_exact: guessingFraction(right, count) };
}

function preferenceFigures(trials, pair) {
  const [one, other] = pair.map((version) => trials.filter((trial) => trial.preferred === version).length);
  const decided = one + other;
  return {
    count: trials.length,
    preferred: [one, other],
    undecided: trials.length - decided,
    p_value: decided ? splitP(one, decided) : null,
  };
}

/** A probability in words: three decimals, but never a false 0.050 or 0.000. */
function pText(p) {
  if (p < 0.001) return "p < 0.001";
  const crossed = p > USUAL_LIMIT && Number(p.toFixed(3)) <= USUAL_LIMIT;
  return `p = ${crossed ? p.toFixed(5) : p.toFixed(3)}`;
}

function oftenText(p) {
  if (p >= 0.995) return "practically every such test";
  const percent = 100 * p;
  return percent < 0.1 ? "fewer than 1 in 1000 such tests" : `${percent.toPrecision(2)} % of such tests`;
}

/** What a blind result means, in sentences. */
function blindWords({ right, count, p_value: p }) {
  const odds = `Someone who hears no difference and only guesses gets ${right} or more right in ${oftenText(p)} (${pText(p)}, exact one-sided binomial).`;
  const needed = neededRight(count);
  if (p <= USUAL_LIMIT) {
    return [
      `${right} of ${count} right.`, odds,
      `That is at or under the usual limit of ${USUAL_LIMIT}: guessing is a poor explanation, so in this test a difference was heard. It does not say how large it is, nor which one is better.`,
    ];
  }
  return [
    `${right} of ${count} right.`, odds,
    `That is above the usual limit of ${USUAL_LIMIT}, so this test does not show that a difference was heard. It does not prove that there is none, either.`,
    ...(needed === null ? [] : [`${needed} right would have been needed.`]),
  ];
}

/** What a preference result means; `names` of the pair. */
function preferenceWords({ count, preferred, undecided, p_value: p }, names) {
  const counts = `${names[0]}: ${preferred[0]}. ${names[1]}: ${preferred[1]}. No preference: ${undecided}. Of ${count} trials.`;
  if (p === null) return [counts, "Nothing was preferred, so there is nothing to weigh."];
  const odds = `Someone without a preference would split at least as unevenly in ${oftenText(p)} (${pText(p)}, exact two-sided binomial, undecided trials left out).`;
  const meaning = p <= USUAL_LIMIT
    ? "That is at or under the usual limit of 0.05: the preference is unlikely to be chance."
    : "That is above the usual limit of 0.05: chance explains this split well enough.";
  return [counts, odds, meaning];
}
