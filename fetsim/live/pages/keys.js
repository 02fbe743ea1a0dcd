// Keys. They act wherever the focus is, except in fields that need the key themselves, and can be switched off.

import { byId } from "./dom.js";
import { SLOTS } from "./desk.js";

const TYPES_TEXT = "input[type=text], input[type=number], input[type=search], select, textarea";
const USES_SPACE = "button, summary, a, input[type=checkbox], input[type=radio]";

export function wireKeys(desk, blind) {
  const everywhere = {
    " ": () => desk.sound.toggle(),
    "+": () => desk.setLevel(desk.sound.levelDb + 1),
    "=": () => desk.setLevel(desk.sound.levelDb + 1),
    "-": () => desk.setLevel(desk.sound.levelDb - 1),
  };
  const open = {
    "u": () => desk.do("undo"),
    "r": () => desk.do("redo"),
    "0": () => desk.recall("start"),
    "m": () => byId("matched").click(),
    "/": () => byId("search").focus(),
  };
  SLOTS.forEach((slot, k) => {
    open[k + 1] = () => desk.recall(slot);
    open[slot.toLowerCase()] = () => desk.keep(slot);
  });
  const trial = {
    "0": () => blind.hear("reference"),
    "1": () => blind.hear("first"),
    "2": () => blind.hear("second"),
    "f": () => blind.answer("first"),
    "s": () => blind.answer("second"),
    "n": () => blind.answer("none"),
  };
  document.addEventListener("keydown", (event) => {
    const { key, target } = event;
    if (!byId("keys-on").checked || event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
    if (target.matches(TYPES_TEXT) || (key === " " && target.matches(USES_SPACE))) return;
    if (event.repeat && !"+=-".includes(key)) return;
    const letter = key.length === 1 ? key.toLowerCase() : key;
    const { face } = document.body.dataset;
    const action = (face === "trial" && trial[letter]) || (face === "desk" && open[letter]) || everywhere[letter];
    if (!action) return;
    event.preventDefault();
    action(event);
  });
}
