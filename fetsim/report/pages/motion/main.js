"use strict";
// Puts the parts together.

const plan = JSON.parse(byId("plan").textContent);
document.documentElement.classList.add("scripted");
const record = new BurstRecord(plan);
let player = null;
const views = { loop: new LoopView(plan, record), traces: new TraceView(plan, record, (at) => player.go(at)) };
player = new Player(plan, record, views);
wireKeys(player, record);
byId("window").addEventListener("change", () => {
  views.traces.windowS = Number(byId("window").value);
  views.traces.draw();
});
