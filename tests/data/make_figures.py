"""Makes the stored figures of the Dunlin that measurements are held against, from its hand-written equations.

    python tests/data/make_figures.py

About ten minutes on one core. Steady states by shooting (``periodic``); how far they are from those with twice as many
steps is printed and stored beside them. Attacks are marched by the constant-step integrator. Levels are those of the
source's electromotive force. The transformers are those without hysteresis, which moves nothing here but the gain, by
0.02 dB, and takes three times as many periods to settle; what it does at low frequencies is in ``dunlin_iron.json``.
"""

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

DATA = Path(__file__).parent
sys.path.insert(0, str(DATA.parent))

from reference import dunlin, fixed_step, parts  # noqa: E402
from reference.tones import Tones, peak_v  # noqa: E402

CURVES = {"S1": (1,), "S2": (2,), "S3": (3,)}
LEVELS_DBU = (*range(-20, 0, 2), *range(0, 25, 4))
SLOW = {"attack": 0.3, "release": 1.0}
THD = {"as built": {}, "without R4": {"linearising_ohm": 1e9, "linearising_farad": 1e-12}}
THD_LEVELS_DBU = (-3.76, 0.22, 12.70)
ATTACKS = {"S1": (-16.0, -6.0), "S2": (-10.5, -0.5), "S3": (-9.0, 1.0)}  # level before, and after
ATTACK_HZ, ATTACK_STEPS = 5e3, 20
FAST_S, SLOW_S = (2e-3, 4e-3), (0.0, 24e-3)  # at the level before (the slow ones out of silence), and after it
STEPS = 48  # a period
PLAIN = dunlin.Settings(hysteresis=False)
CHECKED_DBU = (-12, -8, 0, 12)


def tones(steps, **settings):
    """Of 1 kHz."""
    return Tones(dunlin.circuit(dunlin.Settings(hysteresis=False, **settings)), steps)


def curve(switches):
    return tones(STEPS, curve=CURVES[switches]).curve(LEVELS_DBU)


def thd(name, steps=STEPS):
    one = tones(steps, **SLOW, **THD[name])
    for level in range(-20, -4, 4):
        one.harmonics_v(level)
    return [one.thd(level) for level in THD_LEVELS_DBU]


def errors(curves, thds):
    """Against twice as many steps a period, where it is most: in dB of output, as a share of THD."""
    finer = tones(2 * STEPS, curve=CURVES["S2"])
    off_db = [finer.output_dbu(level) - curves["S2"]["output_dbu"][LEVELS_DBU.index(level)] for level in CHECKED_DBU]
    off_thd = np.divide(thd("as built", 2 * STEPS), thds["as built"]) - 1
    return {"output_db": np.abs(off_db).max(), "thd_share": np.abs(off_thd).max()}


def idle_loss_db():
    """What the channel takes at rest, against the FET taken out, at 1 kHz."""
    whole, opened = (one.response([1e3])["out"][0] for one in (dunlin.circuit(PLAIN), dunlin.without_fet(PLAIN)))
    return float(20 * np.log10(np.abs(opened / whole)))


def divider_ohm():
    """What the FET sees at its drain at rest, at 1 kHz."""
    circuit = dunlin.without_fet(PLAIN)
    circuit.b = np.eye(len(circuit.names))[circuit.names.index("dr")]
    return float(np.abs(circuit.response([1e3])["dr"][0]))


def attack_s(switches, fraction, before_s, end_s):
    """First time past 63 % of the reduction at the end, 20 lg(1 + 2 beta R2 (ctl - V_P)), read off the control."""
    circuit = dunlin.circuit(replace(PLAIN, curve=CURVES[switches], attack=fraction, release=0.3))
    before, after = (peak_v(level) for level in ATTACKS[switches])

    def u(t):
        return (after if t >= before_s else before) * np.sin(2 * np.pi * ATTACK_HZ * t)

    h = 1 / (ATTACK_HZ * ATTACK_STEPS)
    x, control = circuit.rest, []
    place = circuit.names.index("ctl")
    for k in range(round((before_s + end_s) / h)):
        x, _ = fixed_step.advance(circuit, u, x, k * h, h)
        control.append(x[place])
    fet = parts.JFET
    over = np.maximum(np.array(control[round(before_s / h) :]) - fet.v_p, 0.0)
    reduction = 20 * np.log10(1 + 2 * fet.i_dss / fet.v_p**2 * 4.7e3 * over)
    wanted = reduction[-1] * (1 - np.exp(-1))
    first = int(np.argmax(reduction >= wanted))
    low = reduction[first - 1] if first else 0.0
    return float((first + (wanted - low) / (reduction[first] - low)) * h)


def main():
    curves, thds = {name: curve(name) for name in CURVES}, {name: thd(name) for name in THD}
    error = errors(curves, thds)
    attacks = {
        name: {
            "levels_dbu": levels, "fastest_s": attack_s(name, 0.0, *FAST_S), "slowest_s": attack_s(name, 1.0, *SLOW_S),
        }
        for name, levels in ATTACKS.items()
    }  # fmt: skip
    table = {
        "levels_dbu": LEVELS_DBU, "thd_levels_dbu": THD_LEVELS_DBU, "error": error, "curves": curves, "thd": thds,
        "attack": attacks, "idle_loss_db": idle_loss_db(), "divider_ohm": divider_ohm(),
    }  # fmt: skip
    (DATA / "dunlin_figures.json").write_text(json.dumps(table, indent=1, default=float) + "\n")


if __name__ == "__main__":
    main()
