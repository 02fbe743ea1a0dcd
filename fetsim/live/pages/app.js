// Puts the page together.

import { Desk } from "./desk.js";
import { wireKeys } from "./keys.js";
import { Link } from "./link.js";
import { Meters } from "./meters.js";
import { Parts } from "./parts.js";
import { Scope } from "./scope.js";
import { Sound } from "./sound.js";
import { Blind } from "./trial.js";

const PAINTED_EVERY_MS = 80; // what moves is read at a glance; the processor is the sound's

const link = new Link();
const sound = new Sound(link);
const desk = new Desk(link, sound);
const meters = new Meters(link, sound, (message) => desk.clock(message));
new Parts(link);
new Scope(link, meters);
wireKeys(desk, new Blind(desk));

setInterval(() => requestAnimationFrame(() => meters.paint()), PAINTED_EVERY_MS);
link.open();
