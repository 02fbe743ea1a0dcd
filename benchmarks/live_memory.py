"""Memory of a live session that goes on for long: MB of the program by minutes of sound.

    python benchmarks/live_memory.py                    # Dunlin, draft, 20 minutes
    python benchmarks/live_memory.py teaching draft 60  # unit, quality, minutes

No browser: a page that hears all that it is sent at once, so that it goes as fast as the machine can. Every two seconds
of sound something is turned, undone, probed, kept, or the programme jumps.
"""

import asyncio
import json
import random
import sys
import time
from pathlib import Path

import numpy as np

from fetsim.live.hub import Hub, Page
from fetsim.live.programme import programme_of
from fetsim.live.session import Session
from fetsim.live.told import SOUND
from fetsim.schematic.load import load_unit

RATE_HZ = 48000
TURNED_EVERY_S = 2.0
TOLD_EVERY_S = 60.0


def programme():
    """Four seconds of bursts."""
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    return programme_of((np.sin(2 * np.pi * 220 * time_s) * (0.03 + 0.3 * (time_s % 0.5 < 0.15)))[:, None], RATE_HZ)


def held_mb():
    """What the program has in memory."""
    text = Path("/proc/self/status").read_text()
    return int(text.split("VmRSS:")[1].split()[0]) / 1024


class Hearing:
    """A page that is there in name only."""

    def __init__(self, hub):
        self.hub, self.page = hub, Page()
        self.frame = self.edition = 0
        hub.open(self.page)
        self.say(do="play")

    def say(self, **message):
        self.hub.take(self.page, json.dumps(message))

    def take_in(self):
        """All that waits for it."""
        while not self.page.waiting.empty():
            message = self.page.waiting.get_nowait()
            if isinstance(message, bytes):
                first, _, self.edition, _, frames = SOUND.unpack(message[: SOUND.size])
                self.frame = int(first) + frames
        self.say(do="played", frame=max(self.frame - RATE_HZ // 10, 0), dropouts=0, edition=self.edition, refused=0)


def turned(draw, names):
    """What is done next."""
    return draw.choice([
        *[{"do": "step", "name": draw.choice(names), "up": draw.random() < 0.5}] * 6, {"do": "undo"},
        {"do": "keep", "slot": draw.choice("ABC")}, {"do": "recall", "slot": "start"},
        {"do": "loop", "from_s": draw.random(), "to_s": 2.0 + draw.random()},
        {"do": "probe", "names": draw.choice([[], ["vp"], ["ctl"]])},
    ])  # fmt: skip


async def main(unit="dunlin", quality="draft", minutes=20.0):
    draw = random.Random(3)
    hub = Hub(Session(load_unit(unit), programme(), quality), Path("never-written"))
    hub.background.ask = lambda *arguments, told: None
    await hub.begin()
    page = Hearing(hub)
    names = [name for name in hub.states.facts(hub.session.unit)["values"] if name in hub.session.unit.parts]
    began_s, turned_at, told_at, changes = time.monotonic(), 0.0, 0.0, 0
    while page.frame < minutes * 60 * RATE_HZ:
        await asyncio.sleep(0.005)
        page.take_in()
        sound_s = page.frame / RATE_HZ
        if sound_s >= turned_at:
            turned_at = sound_s + TURNED_EVERY_S
            page.say(**turned(draw, names))
            changes += 1
        if sound_s >= told_at:
            told_at += TOLD_EVERY_S
            entries, ratio = len(hub.session.log), sound_s / (time.monotonic() - began_s)
            print(f"{sound_s / 60:5.1f} min, {held_mb():7.1f} MB, {changes} turned, {entries} in the log, x{ratio:.1f}",
                  flush=True)  # fmt: skip
    hub.end()


if __name__ == "__main__":
    given = sys.argv[1:]
    asyncio.run(main(*given[:2], *(float(one) for one in given[2:3])))
