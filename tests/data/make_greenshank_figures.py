"""Makes the stored figures of the Greenshank that measurements are held against, from its hand-written equations.

    python tests/data/make_greenshank_figures.py

Three minutes on one core. Steady states by shooting (``periodic``); bursts are marched by the constant-step
integrator from one steady state to the other. How far all of it is from twice as many steps is stored beside it. Levels
are those of the source's electromotive force.

Times of a burst: from the step, at the tone's rise through zero, until 63 % of the change of gain reduction between the
two steady states (means over the cycle) has happened, by 20 lg|1 + Z g|: Z what the FET sees at its drain at rest, at
1 kHz, g the chord conductance of its channel, which ripples with the signal. So it is read off the rising curve that is
nearest to the trace.
"""

import json
import sys
from functools import cache
from pathlib import Path

import numpy as np
from scipy.optimize import isotonic_regression

DATA = Path(__file__).parent
sys.path.insert(0, str(DATA.parent))

from reference import fixed_step, greenshank  # noqa: E402
from reference.tones import Tones, peak_v  # noqa: E402

LEVELS_DBU = (*range(-22, -4, 2), *range(-4, 25, 4))
STEPS = 48  # a period
CHECKED_DBU = (-10, -4, 4, 16)
BURST_HZ, BURST_DBU = 4500.0, (-20.0, 0.0)  # level before and in the burst
ATTACK_STEPS, RELEASE_STEPS = 256, 32  # a period
BURSTS = {"as built": {}, "fastest": {"attack": 0.0, "release": 0.0}, "slow attack": {"attack": 1.0, "release": 0.0}}


def tones(curve, steps):
    return Tones(greenshank.circuit(greenshank.Settings(curve=curve)), steps)


@cache
def divider_ohm():
    """What the FET sees at its drain at rest, at 1 kHz; complex."""
    circuit = greenshank.without_fet()
    circuit.b = np.eye(len(circuit.names))[circuit.names.index("dr")]
    return complex(circuit.response([1e3])["dr"][0])


def reduction_db(names, rows):
    """Gain reduction of the FET in its divider (n,), at unknowns (n, unknowns)."""
    return 20 * np.log10(np.abs(1 + divider_ohm() * greenshank.channel_s(dict(zip(names, rows.T, strict=True)))))


def burst(name, finer=1):
    """Seconds of attack and release, and the steady gain reductions before and in the burst."""
    circuit = greenshank.circuit(greenshank.Settings(**BURSTS[name]))
    steady = Tones(circuit, STEPS, BURST_HZ)
    ends = []
    for level in BURST_DBU:
        rows = steady.period(level)
        ends.append((level, rows[0], float(np.mean(reduction_db(circuit.names, rows[1:])))))
    quiet, loud = ends
    return {
        "reduction_db": [quiet[2], loud[2]],
        "attack_s": passed_s(circuit, quiet, loud, finer * ATTACK_STEPS),
        "release_s": passed_s(circuit, loud, quiet, finer * RELEASE_STEPS),
    }


def passed_s(circuit, before, after, steps):
    """When so much of a change has happened; each end: level, unknowns where the tone rises through zero, reduction."""
    (_, x, start_db), (level_dbu, _, end_db) = before, after
    peak, h, path = peak_v(level_dbu), 1 / (BURST_HZ * steps), []
    share = 1 - np.exp(-1)
    while True:
        for _ in range(steps):
            path.append(x)
            x, _ = fixed_step.advance(
                circuit, lambda t: peak * np.sin(2 * np.pi * BURST_HZ * t), x, (len(path) - 1) * h, h
            )  # fmt: skip
        cycle = reduction_db(circuit.names, np.array(path[-steps:]))
        if min((cycle - start_db) / (end_db - start_db)) > share:
            break
    progress = isotonic_regression((reduction_db(circuit.names, np.array(path)) - start_db) / (end_db - start_db)).x
    first = int(np.argmax(progress >= share))
    low, high = progress[first - 1 : first + 1]
    return float((first - 1 + (share - low) / (high - low)) * h)


def main():
    curves = {name: tones(name, STEPS).curve(LEVELS_DBU) for name in greenshank.CURVES}
    finer = tones("middle", 2 * STEPS)
    off_db = [
        finer.output_dbu(level) - curves["middle"]["output_dbu"][LEVELS_DBU.index(level)] for level in CHECKED_DBU
    ]
    print(curves, flush=True)
    bursts = {name: burst(name) for name in BURSTS}
    print(bursts, flush=True)
    twice = burst("fastest", 2)
    off_share = [twice[kind] / bursts["fastest"][kind] - 1 for kind in ("attack_s", "release_s")]
    table = {
        "levels_dbu": LEVELS_DBU, "burst_hz": BURST_HZ, "burst_dbu": BURST_DBU, "curves": curves, "bursts": bursts,
        "error": {"output_db": np.abs(off_db).max(), "time_share": np.abs(off_share).max()},
    }  # fmt: skip
    (DATA / "greenshank_figures.json").write_text(json.dumps(table, indent=1, default=float) + "\n")


if __name__ == "__main__":
    main()
