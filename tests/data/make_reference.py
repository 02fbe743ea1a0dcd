"""Makes the stored reference data from the hand-written circuits; about a quarter of an hour for everything.

    python tests/data/make_reference.py [small | bias | response | iron | burst | programme | strikes ...]

Each record is computed at two tolerances; their difference is the error of the looser one, printed and stored
(the tighter one is kept, so the stored figure is pessimistic). The Dunlin's burst is also held against the
constant-step integrator, which shares no step control and no reduction to states with the first; that
difference is printed (measured: -142 dB at the output, 2 steps a sample). Iron: steady states by shooting.
"""

import json
import sys
from dataclasses import asdict
from pathlib import Path

import numpy as np

DATA = Path(__file__).parent
sys.path.insert(0, str(DATA.parent))

from reference import clipper, dunlin, fet_loop, fixed_step, one_transistor, periodic  # noqa: E402
from reference.excitation import ZERO_DBU_V, Burst, Programme, Strikes  # noqa: E402
from reference.stored import save  # noqa: E402

RATE_HZ = 288_000
DUNLIN_NODES = ("out", "po", "dr", "g", "ctl")
CURVES = {"S2": (2,), "S1": (1,), "S3": (3,), "none": (), "all": (1, 2, 3)}
RESPONSE_HZ = (20.0, 50.0, 1000.0, 20000.0)
SMALL = {
    "clipper": (clipper, Burst(1e3, -20.0, 6.0, 3e-3, 7e-3), ("out",)),
    "one_transistor": (one_transistor, Burst(1e3, -30.0, -10.0, 3e-3, 7e-3), ("out", "c", "b", "e")),
    "fet_loop": (fet_loop, Burst(1e3, -26.0, 0.0, 3e-3, 7e-3), ("po", "dr", "g", "ctl")),
}
DUNLIN_RUN = ((1e-7, 3e-8), asdict(dunlin.DEFAULT))  # tolerances, settings
DUNLIN_BURST = Burst(1e3, -10.0, 10.0, 4e-3, 12e-3)
DUNLIN_PROGRAMME = Programme(
    peak_v=(0.5, 0.45, 0.5, 0.4, 0.3, 0.2),
    f_hz=(61.7, 173.0, 437.0, 1130.0, 2890.0, 6870.0),
    phase=(0.3, 1.9, 4.1, 2.6, 5.2, 0.9),
    rate_hz=(23.0, 37.0, 31.0, 47.0, 53.0, 61.0),
    turn=(4.7, 0.4, 5.3, 2.2, 3.6, 1.1),
)

DUNLIN_STRIKES = {"dunlin_strikes": Strikes(-8.0), "dunlin_strikes_clipping": Strikes(12.0)}
IRON_TONES = ((20.0, 0.0), (60.0, -20.0), (60.0, 10.0))  # Hz, dBu
IRON_STEPS = 256  # a period: a turning point is missed by 8e-5 of the swing


def make_bias():
    table = {label: dunlin.bias(dunlin.Settings(curve=curve)) for label, curve in CURVES.items()}
    (DATA / "dunlin_bias.json").write_text(json.dumps(table, indent=1) + "\n")


def make_response():
    gains = dunlin.response(RESPONSE_HZ)
    nodes = [name for name in gains if name not in ("l1", "phi1", "l2", "phi2")]
    table = {"f_hz": RESPONSE_HZ} | {
        name: [[z.real, z.imag] for z in map(complex, gains[name])] for name in nodes
    }
    (DATA / "dunlin_response.json").write_text(json.dumps(table, indent=1) + "\n")
    level = 20 * np.log10(np.abs(gains["out"]))
    print("gain out re EMF", np.round(level, 4), "re 1 kHz", np.round(level - level[2], 4))


def make_iron():
    circuit, table = dunlin.circuit(), []
    for f_hz, level_dbu in IRON_TONES:
        peak_v = np.sqrt(2) * ZERO_DBU_V * 10 ** (level_dbu / 20)
        rows = periodic.steady_state(
            circuit, lambda t, f=f_hz, v=peak_v: v * np.sin(2 * np.pi * f * t), f_hz, IRON_STEPS
        )  # fmt: skip
        found = {node: periodic.amplitudes(rows[:, circuit.names.index(node)], 10) for node in ("t1s", "out")}
        print(f_hz, level_dbu, {node: np.linalg.norm(v[1:]) / v[0] for node, v in found.items()}, flush=True)
        table.append({"f_hz": f_hz, "level_dbu": level_dbu, "peak_v": {node: list(v) for node, v in found.items()}})
    (DATA / "dunlin_iron.json").write_text(json.dumps(table, indent=1) + "\n")


def make_small():
    for name, (circuit, u, nodes) in SMALL.items():
        _record(name + "_burst", circuit.simulate, u, 10e-3, nodes, (1e-9, 1e-10), {})


def make_burst():
    circuit = dunlin.circuit()
    v = _record("dunlin_burst", circuit.simulate, DUNLIN_BURST, 18e-3, DUNLIN_NODES, *DUNLIN_RUN)
    other = fixed_step.simulate(circuit, DUNLIN_BURST, RATE_HZ, len(v["out"]) - 1, 2)
    print("constant step, 2 a sample:", _difference_db(other, v, DUNLIN_NODES))


def make_programme():
    simulate = dunlin.circuit().simulate
    _record("dunlin_programme", simulate, DUNLIN_PROGRAMME, 30e-3, DUNLIN_NODES, *DUNLIN_RUN)


def make_strikes():
    simulate = dunlin.circuit().simulate
    for name, u in DUNLIN_STRIKES.items():
        _record(name, simulate, u, 24e-3, ("out", "ctl"), *DUNLIN_RUN)


def _record(name, simulate, u, t_end_s, nodes, tolerances, settings):
    t_s = np.arange(round(t_end_s * RATE_HZ) + 1) / RATE_HZ
    loose, tight = (simulate(u, t_s[-1], t_s, rtol=rtol, atol=rtol / 100) for rtol in tolerances)
    error_db = _difference_db(loose, tight, nodes)
    path = DATA / f"{name}.npz"
    save(path, RATE_HZ, {node: tight[node] for node in nodes}, u, settings, error_db)
    print(name, error_db, f"{path.stat().st_size / 1e3:.0f} kB", flush=True)
    return tight


def _difference_db(a, b, nodes):
    def difference_db(x, y):
        return round(float(20 * np.log10(np.sqrt(np.mean((x - y) ** 2)) / np.std(y))), 1)

    return {node: difference_db(a[node], b[node]) for node in nodes}


if __name__ == "__main__":
    makers = {
        "bias": make_bias, "response": make_response, "iron": make_iron, "small": make_small, "burst": make_burst,
        "programme": make_programme, "strikes": make_strikes,
    }  # fmt: skip
    for job in sys.argv[1:] or makers:
        makers[job]()
