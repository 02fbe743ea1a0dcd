"""What was turned while the Dunlin plays, against a render of the changed unit: how far apart, and for how long.

    python benchmarks/live_settled.py             # 40 s at draft
    python benchmarks/live_settled.py 60 standard # seconds, quality

Six changes of different kinds, one after the other while bursts go round; then nothing is touched. And one after which
the cores never hear a swing as loud as those before it, which the render has never heard.
"""

import sys

import numpy as np

from fetsim.audio.render import render
from fetsim.live.programme import programme_of
from fetsim.live.session import Session, prepare
from fetsim.schematic.load import load_unit

RATE_HZ = 48000
TURNED = {"R64": "220", "C16": "220n", "J1.i_dss": "14mA", "drive": 0.55, "curve": "S1+S3", "T1.magnetising": "24H"}
TURNED_EVERY_S = 0.25


def bursts():
    """Four a second of 220 Hz."""
    time_s = np.arange(RATE_HZ) / RATE_HZ
    return programme_of((np.sin(2 * np.pi * 220 * time_s) * (0.03 + 0.3 * (time_s % 0.25 < 0.08)))[:, None], RATE_HZ)


def apart_db(unit, changes, seconds, quality):
    """Largest difference in each second over the rms of the output there [dB]."""
    programme = bursts()
    session = Session(unit, programme, quality)
    made, live = {}, []
    between = round(TURNED_EVERY_S * RATE_HZ / session.block)
    blocks = round(seconds * RATE_HZ / session.block)
    for number in range(blocks):
        if number % between == between - 1 and len(made) < len(changes):
            name = list(changes)[len(made)]
            made[name] = changes[name]
            session.take(prepare(session, dict(made), quality))
        live.append(session.advance().output[:, 0])
    live = np.concatenate(live)
    played = programme.sound(0, session.block * blocks, session.place)[:, 0]
    whole = render(played, RATE_HZ, unit=unit.changed(changes), quality=quality, segments=False).output[: len(live)]
    seconds = [slice(k, k + RATE_HZ) for k in range(0, len(live) - RATE_HZ + 1, RATE_HZ)]
    return [
        20 * np.log10(max(np.abs(live - whole)[one].max(), 1e-20) / np.sqrt(np.mean(whole[one] ** 2)))
        for one in seconds
    ]


def main(seconds=40.0, quality="draft"):
    unit = load_unit("dunlin")
    print(f"{unit.name}, {quality}, changes in the first {TURNED_EVERY_S * (len(TURNED) + 1):g} s: {', '.join(TURNED)}")
    for label, changes in (("all six", TURNED), ("a lower drive alone", {"drive": 0.4})):
        found = " ".join(f"{x:.0f}" for x in apart_db(unit, changes, seconds, quality))
        print(f"{label}: largest difference in each second, dB re the rms there: {found}", flush=True)


if __name__ == "__main__":
    main(*(float(one) for one in sys.argv[1:2]), *sys.argv[2:3])
