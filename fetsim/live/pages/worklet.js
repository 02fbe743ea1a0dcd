// The audio thread's side of the page.

import { Ring } from "./ring.js";

registerProcessor("ring", Ring);
