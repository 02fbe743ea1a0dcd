"use strict";
// The drawing of the loop, and the lists beside it: every number of one instant.

class LoopView {
  constructor(plan, record) {
    this.record = record;
    this.conducting = plan.conducting_a;
    this.boxed = [...document.querySelectorAll("#loop [data-value]")];
    this.listed = [...document.querySelectorAll(".traces [data-value]")];
    this.devices = [...document.querySelectorAll("#loop [data-device]")];
    this.deviceTexts = [...document.querySelectorAll("[data-device-text]")];
    this.bar = document.querySelector("#loop [data-bar]");
    this.barRow = record.rows.get("channel");
  }

  show(index) {
    const { record } = this;
    for (const one of this.boxed) setText(one, this.#value(one.dataset.value, index, true));
    for (const one of this.listed) setText(one, this.#value(one.dataset.value, index, false));
    for (const one of this.devices) one.classList.toggle("lit", record.at(one.dataset.device, index)[1] > this.conducting);
    for (const one of this.deviceTexts) setText(one, this.#deviceText(one.dataset.deviceText, index));
    const { low, high } = this.barRow;
    const [ohm] = record.at("channel", index);
    const share = Math.min(1, Math.max(0, Math.log(ohm / low) / Math.log(high / low)));
    this.bar.setAttribute("width", (Number(this.bar.dataset.bar) * share).toFixed(1));
  }

  #value(key, index, short) {
    return valueText(this.record.rows.get(key), ...this.record.at(key, index), short);
  }

  #deviceText(key, index) {
    const [low, high] = this.record.at(key, index);
    if (high <= this.conducting) return "off";
    const when = low > this.conducting ? "on" : "on for a part of this entry";
    return `${when}, ${valueText({ unit: "A" }, low, high)}`;
  }
}

function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}
