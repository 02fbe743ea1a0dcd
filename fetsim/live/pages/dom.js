// Small words for the document. What a user named is only ever text.

export const byId = (id) => document.getElementById(id);

/** An element with properties, attributes (names with a hyphen, and role) and children. */
export function make(name, properties = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(properties)) {
    if (key.includes("-") || key === "role" || key === "for" || key === "scope" || key === "list") element.setAttribute(key, value);
    else element[key] = value;
  }
  element.append(...children);
  return element;
}

/** A user's text, kept from turning the direction of what stands around it. */
export const isolated = (text) => `\u2068${text}\u2069`;

/** Says it to screen readers, and shows it; what was refused, in the colour of cautions. */
export function say(text, refused = false) {
  byId("status").classList.toggle("mind", refused);
  byId("status").textContent = text;
}

export const decibelsToGain = (db) => 10 ** (db / 20);

/** A number with a proper minus. */
export const number = (value, digits = 1) => (value === null || value === undefined ? "\u2013" : value.toFixed(digits).replace("-", "\u2212"));

/** Three figures and a prefix. */
export function amount(value, unit) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "\u2013";
  const size = Math.abs(value);
  const steps = [[1e9, "G"], [1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "u"], [1e-9, "n"]];
  const [factor, prefix] = size === 0 ? [1, ""] : steps.find(([least]) => size >= least) ?? [1e-12, "p"];
  return `${Number((value / factor).toPrecision(3))} ${prefix}${unit}`.replace("-", "\u2212");
}
