"use strict";
// Numbers as text, and what every part of the script needs.

const byId = (id) => document.getElementById(id);
const MINUS = "\u2212";
const PREFIXES = { "-15": "f", "-12": "p", "-9": "n", "-6": "u", "-3": "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T" };

/** Says it to screen readers, and shows it. */
function say(text) {
  byId("status").textContent = text;
}

/** `digits` figures without an exponent, and without zeros at the end. */
function figures(value, digits) {
  return String(Number(value.toPrecision(digits))).replace("-", MINUS);
}

/** As `512 mV`, four figures. */
function quantity(value, unit, digits = 4) {
  const rounded = Number(value.toPrecision(digits));
  if (rounded === 0) return `0 ${unit}`;
  const power = Math.min(12, Math.max(-15, 3 * Math.floor(Math.log10(Math.abs(rounded)) / 3 + 1e-12)));
  return `${figures(rounded / 10 ** power, digits)} ${PREFIXES[power]}${unit}`;
}

/** An instant or a length of time, as `278 us`. */
function duration(seconds, digits = 4) {
  return Math.abs(seconds) >= 0.9995 || seconds === 0 ? `${figures(seconds, digits)} s` : quantity(seconds, "s", digits);
}

const NOTHING = 1e-9; // volts, amperes: less is told as nothing
const ANY_DIGITS = 4;
const BOX_DIGITS = 3; // of a range that must find room in a box

/** A value of a row, or the range that an entry holds; both ends in one unit. `short`: with fewer figures. */
function valueText(row, low, high, short = false) {
  const range = (first, last) => (first === last ? first : first + (short ? "\u2026" : " to ") + last);
  if (row.unit === "dB") {
    const texts = [low, high].map((value) => value.toFixed(2).replace("-0.00", "0.00").replace("-", MINUS));
    return `${range(...texts)} dB`;
  }
  if (row.unit === "ohm" && low > row.high) return `over ${quantity(row.high, "ohm", 3)}`;
  const most = row.unit === "ohm" ? Math.min(high, row.high) : high;
  const largest = Math.max(Math.abs(low), Math.abs(most));
  if (largest < NOTHING) return `0 ${row.unit}`;
  const digits = short && low !== most ? BOX_DIGITS : ANY_DIGITS;
  const rounded = Number(largest.toPrecision(digits));
  const power = Math.min(12, Math.max(-15, 3 * Math.floor(Math.log10(rounded) / 3 + 1e-12)));
  const decimals = Math.max(0, digits - 1 - Math.floor(Math.log10(largest / 10 ** power) + 1e-12));
  const texts = [low, most].map((value) => String(Number((value / 10 ** power).toFixed(decimals)) + 0).replace("-", MINUS));
  return `${range(...texts)} ${PREFIXES[power]}${row.unit}`;
}
