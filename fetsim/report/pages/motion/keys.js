"use strict";
// Keys. They act wherever the focus is, except where a field needs the key itself, and can be switched off.

const USES_SPACE = "button, summary, a, input[type=checkbox], select";
const USES_ARROWS = "input[type=range], select";
const ARROWS = ["ArrowLeft", "ArrowRight", "Home", "End"];

function wireKeys(player, record) {
  const choose = (id, by) => {
    const list = byId(id);
    const place = Math.min(Math.max(list.selectedIndex + by, 0), list.options.length - 1);
    if (place === list.selectedIndex) return;
    list.selectedIndex = place;
    list.dispatchEvent(new Event("change"));
    say(`${list.labels[0].firstChild.textContent.trim()} ${list.options[place].text}`);
  };
  const actions = {
    " ": () => player.toggle(),
    "ArrowLeft": (event) => (event.shiftKey ? player.far(-1) : player.step(-1)),
    "ArrowRight": (event) => (event.shiftKey ? player.far(1) : player.step(1)),
    "b": () => player.next(-1),
    "n": () => player.next(1),
    "Home": () => player.go(record.startS),
    "End": () => player.go(record.endS),
    ",": () => choose("slower", 1),
    ".": () => choose("slower", -1),
    "+": () => choose("window", -1),
    "=": () => choose("window", -1),
    "-": () => choose("window", 1),
    "s": () => byId("stops").click(),
  };
  document.addEventListener("keydown", (event) => {
    const { key, target } = event;
    if (!byId("keys-on").checked || event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
    if (key === " " && target.matches(USES_SPACE)) return;
    if (ARROWS.includes(key) && target.matches(USES_ARROWS)) return;
    if (key.length === 1 && key !== " " && target.matches("select")) return;
    if (event.repeat && !ARROWS.includes(key)) return;
    const action = actions[key.length === 1 ? key.toLowerCase() : key];
    if (!action) return;
    event.preventDefault();
    action(event);
  });
}
