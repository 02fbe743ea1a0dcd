"use strict";
// How probable a score is for someone who only guesses: exact, with whole numbers of any size.

const USUAL_LIMIT = 0.05; // common practice in listening tests

/** In how many of the 2^count equally probable sequences of guesses at least `right` are right (BigInt). */
function tailCount(right, count) {
  let ways = 1n;
  let sum = 0n;
  for (let hits = 0; hits <= count; hits += 1) {
    if (hits >= right) sum += ways;
    ways = (ways * BigInt(count - hits)) / BigInt(hits + 1);
  }
  return sum;
}

/** Probability of at least `right` of `count` by guessing; the division by a power of two rounds nothing. */
function guessingP(right, count) {
  return Number(tailCount(right, count)) / 2 ** count;
}

/** The same as a fraction in whole numbers. */
function guessingFraction(right, count) {
  return `${tailCount(right, count)}/${1n << BigInt(count)}`;
}

/** Probability of a split at least as uneven as `one` against `count - one`, either way round. */
function splitP(one, count) {
  return Math.min(1, 2 * guessingP(Math.max(one, count - one), count));
}

/** Least number of right answers whose p is at most `limit`; null where even all right is not enough. */
function neededRight(count, limit = USUAL_LIMIT) {
  for (let right = Math.ceil(count / 2); right <= count; right += 1) {
    if (guessingP(right, count) <= limit) return right;
  }
  return null;
}
