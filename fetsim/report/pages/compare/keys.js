"use strict";
// Keys. They act wherever the focus is, except in fields that need the key themselves, and can be switched off.

const TYPES_TEXT = "input[type=number], select, textarea";
const USES_SPACE = "button, summary, a, input[type=checkbox]";
const USES_ARROWS = "input[type=radio], input[type=range]";
const ARROWS = ["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "Home", "End"];

function wireKeys(plan, player, desk, test) {
  const everywhere = {
    " ": () => desk.toggle(),
    "ArrowLeft": (event) => desk.seekBy(event.shiftKey ? -FAR_SEEK_S : -SEEK_S),
    "ArrowRight": (event) => desk.seekBy(event.shiftKey ? FAR_SEEK_S : SEEK_S),
    "Home": () => desk.seekBy(-Infinity),
    "End": () => desk.seekBy(Infinity),
    "[": () => desk.loopHere("from"),
    "]": () => desk.loopHere("to"),
    "l": () => desk.switchLoop(!player.loop.on),
    "c": () => desk.clearLoop(),
    "z": () => desk.zoom(!desk.zoomed),
    "+": () => desk.setLevel(player.levelDb + LEVEL_STEP_DB),
    "=": () => desk.setLevel(player.levelDb + LEVEL_STEP_DB),
    "-": () => desk.setLevel(player.levelDb - LEVEL_STEP_DB),
  };
  const open = {
    "d": () => desk.choose(desk.choice.version, !desk.choice.difference),
    "n": () => desk.choose((desk.choice.version + 1) % plan.versions.length, false),
    "b": () => desk.choose((desk.choice.version || plan.versions.length) - 1, false),
    "m": () => byId("matched")?.click(),
    "r": () => byId("raised")?.click(),
  };
  for (let digit = 1; digit <= 9; digit += 1) open[digit] = () => desk.choose(digit - 1, false);
  const trial = {
    "0": () => test.hear("reference"),
    "1": () => test.hear("first"),
    "2": () => test.hear("second"),
    "f": () => test.answer("first"),
    "s": () => test.answer("second"),
    "n": () => test.answer("none"),
  };

  document.addEventListener("keydown", (event) => {
    const { key, target } = event;
    if (!byId("keys-on").checked || event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
    if (target.matches(TYPES_TEXT)) return;
    if (key === " " && target.matches(USES_SPACE)) return;
    if (ARROWS.includes(key) && target.matches(USES_ARROWS)) return;
    if (event.repeat && !ARROWS.includes(key) && !"+=-".includes(key)) return;
    const letter = key.length === 1 ? key.toLowerCase() : key;
    const face = document.body.dataset.face;
    const action = (face === "trial" && trial[letter]) || (face === "desk" && open[letter]) || everywhere[letter];
    if (!action) return;
    event.preventDefault();
    action(event);
  });
}
