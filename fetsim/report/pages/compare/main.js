"use strict";
// Puts the parts together.

const plan = JSON.parse(byId("plan").textContent);
if (typeof AudioContext === "undefined") {
  say("This browser has no Web Audio; the drawings and tables can be read, but nothing can be played.");
} else {
  const segments = new Segments(plan);
  const player = new Player(plan, segments, plan.covariance);
  const tracks = new Tracks(plan, byId("versions"));
  const desk = new Desk(plan, player, tracks);
  const test = new ListeningTest(plan, player, desk);
  wireKeys(plan, player, desk, test);
  segments.load(0).catch(() => {}); // so that the first press of Play sounds at once; a failure is told then
}
