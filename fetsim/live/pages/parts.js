// What can be turned: controls, switches, and the parts by stage, each value with steps, a field and the way back.

import { byId, make } from "./dom.js";

const TURNS_EVERY_MS = 60;

export class Parts {
  constructor(link) {
    this.link = link;
    this.fields = new Map(); // name -> its field
    this.undoers = new Map();
    this.sliders = new Map();
    this.boxes = new Map(); // bank -> {switch: box}
    this.rows = [];
    link.on("hello", ({ unit }) => this.#build(unit));
    link.on("state", (state) => this.#state(state));
    byId("search").addEventListener("input", () => this.#search());
    byId("any-form").addEventListener("submit", (event) => {
      event.preventDefault();
      const [name, ...value] = byId("any").value.split("=");
      if (name.trim() && value.length) this.#change(name.trim(), value.join("=").trim());
      else byId("status").textContent = "Write NAME=VALUE, as C16.esr=4k7";
    });
  }

  get series() {
    return byId("series").value;
  }

  #change(name, value) {
    this.link.send({ do: "change", values: { [name]: value } });
  }

  #step(name, up) {
    this.link.send({ do: "step", name, up, series: this.series });
  }

  #build(unit) {
    this.fields.clear();
    this.undoers.clear();
    this.sliders.clear();
    this.boxes.clear();
    this.rows = [];
    byId("controls").replaceChildren(...unit.controls.map((one) => this.#control(one)));
    byId("banks").replaceChildren(...unit.banks.map((one) => this.#bank(one)));
    byId("controls-part").hidden = !unit.controls.length && !unit.banks.length;
    byId("stages").replaceChildren(...unit.stages.map((stage) => this.#stage(stage)));
    this.#search();
  }

  #control({ name, about, role, stepped, parts }) {
    const id = `control-${name}`;
    const slider = make("input", { type: "range", id, min: 0, max: 1, step: stepped ? "any" : 0.001 });
    let sent = 0;
    let later = null;
    const send = () => {
      sent = performance.now();
      later = null;
      this.#change(name, Number(slider.value));
    };
    slider.addEventListener("input", () => {
      clearTimeout(later);
      later = setTimeout(send, Math.max(0, TURNS_EVERY_MS - (performance.now() - sent)));
    });
    slider.addEventListener("keydown", (event) => {
      const up = { ArrowUp: true, ArrowRight: true, ArrowDown: false, ArrowLeft: false }[event.key];
      if (up === undefined) return;
      event.preventDefault();
      this.#step(name, up);
    });
    this.sliders.set(name, slider);
    const told = make("span", { id: `${id}-about`, className: "muted", textContent: `${role}; ${about}${parts.length ? `; turns ${parts.join(", ")}` : ""}` });
    slider.setAttribute("aria-describedby", told.id);
    return make("div", { className: "control" },
      make("label", { for: id }, make("bdi", { textContent: name })), slider, this.#field(name, name), this.#undoer(name), told);
  }

  #bank({ name, about, switches, exclusive }) {
    const boxes = new Map();
    const legend = make("legend", {}, make("bdi", { textContent: name }));
    const labels = switches.map((one) => {
      const box = make("input", { type: exclusive ? "radio" : "checkbox", name: `bank-${name}`, value: one });
      box.addEventListener("change", () => {
        const closed = switches.filter((other) => boxes.get(other).checked);
        this.#change(name, exclusive ? one : closed.join("+") || "none");
      });
      boxes.set(one, box);
      return make("label", {}, box, make("bdi", { textContent: one }));
    });
    this.boxes.set(name, boxes);
    return make("fieldset", { className: "bank" }, legend, make("p", { className: "muted", textContent: about }), ...labels);
  }

  #stage({ name, about, parts }) {
    const rows = parts.map((part) => this.#part(part));
    const table = make("table", {},
      make("caption", {}, make("strong", {}, make("bdi", { textContent: name })), " ", make("bdi", { textContent: about })),
      make("thead", {}, make("tr", {}, ...["Part", "What it is for", "Value"].map((text) => make("th", { scope: "col", textContent: text })))),
      make("tbody", {}, ...rows));
    const box = make("div", { className: "wide", role: "group", tabIndex: 0, "aria-label": `Parts of ${name}` }, table);
    this.rows.push({ box, stage: `${name} ${about}`.toLowerCase(), parts: parts.map((part, k) => ({ row: rows[k], text: words(part) })) });
    return box;
  }

  #part({ designator, kind, device, about, tolerance, nodes, control, values }) {
    const told = [kind, device, tolerance && `\u00b1${tolerance}`.replace("\u00b1+", "+"), nodes && `at ${nodes}`].filter(Boolean).join(", ");
    const cells = values.map(({ name, label }) => make("div", { className: "value" },
      values.length > 1 || name !== designator ? make("span", { className: "muted key", textContent: label }) : "",
      this.#stepper(name, false), this.#field(name, `${designator} ${label}`), this.#stepper(name, true), this.#undoer(name)));
    const turned = control ? make("p", { className: "muted" }, "turned by ", make("bdi", { textContent: control })) : "";
    return make("tr", {},
      make("th", { scope: "row" }, make("bdi", { textContent: designator })),
      make("td", {}, make("bdi", { textContent: about }), make("p", { className: "muted" }, make("bdi", { textContent: told }))),
      make("td", {}, ...cells, turned));
  }

  #stepper(name, up) {
    return make("button", { type: "button", className: "step", textContent: up ? "+" : "\u2212", "aria-label": `${name} ${up ? "up" : "down"}`, onclick: () => this.#step(name, up) });
  }

  #undoer(name) {
    const button = make("button", { type: "button", className: "back", textContent: "Reset", "aria-label": `Reset ${name}`, hidden: true, onclick: () => this.#change(name, null) });
    this.undoers.set(name, button);
    return button;
  }

  #field(name, label) {
    const field = make("input", { type: "text", className: "amount", "aria-label": label, autocomplete: "off", spellcheck: false });
    field.addEventListener("input", () => (this.typed = field)); // until it is done, nothing else is written into it
    field.addEventListener("blur", () => (this.typed = null));
    field.addEventListener("change", () => {
      this.typed = null;
      this.#change(name, field.value.trim() || null);
    });
    field.addEventListener("keydown", (event) => {
      if (event.key === "ArrowUp" || event.key === "ArrowDown") {
        event.preventDefault();
        this.#step(name, event.key === "ArrowUp");
      } else if (event.key === "Escape") {
        this.typed = null;
        field.value = this.state?.values[name] ?? "";
      }
    });
    this.fields.set(name, field);
    return field;
  }

  #state(state) {
    this.state = state;
    for (const [name, field] of this.fields) {
      const value = state.values[name] ?? "";
      if (field !== this.typed && field.value !== value) field.value = value;
    }
    for (const [name, slider] of this.sliders) {
      slider.value = state.positions[name];
      slider.setAttribute("aria-valuetext", state.values[name]);
    }
    for (const [name, boxes] of this.boxes) for (const [one, box] of boxes) box.checked = state.closed[name].includes(one);
    const changed = new Set(state.changed);
    for (const [name, button] of this.undoers) {
      if (button.hidden === !changed.has(name)) continue;
      if (document.activeElement === button) this.fields.get(name).focus(); // the button goes, the place stays
      button.hidden = !changed.has(name);
    }
  }

  #search() {
    const wanted = byId("search").value.trim().toLowerCase();
    let found = 0;
    for (const { box, stage, parts } of this.rows) {
      let any = false;
      for (const { row, text } of parts) {
        row.hidden = !(text.includes(wanted) || stage.includes(wanted));
        any ||= !row.hidden;
        found += row.hidden ? 0 : 1;
      }
      box.hidden = !any;
    }
    byId("found").textContent = wanted ? `${found} ${found === 1 ? "part" : "parts"}` : "";
  }
}

function words({ designator, kind, device, about, nodes, control }) {
  return [designator, kind, device, about, nodes, control].join(" ").toLowerCase();
}
