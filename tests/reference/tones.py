"""Steady tones through a hand-written circuit; each level's steady state is looked for from that of the nearest one."""

import numpy as np
from scipy.optimize import brentq

from . import periodic
from .excitation import ZERO_DBU_V

ORDERS = 10


def peak_v(level_dbu):
    return np.sqrt(2) * ZERO_DBU_V * 10 ** (level_dbu / 20)


class Tones:
    """Tones of one frequency, ``steps`` a period, read at the node ``out``."""

    def __init__(self, circuit, steps, f_hz=1e3):
        self.circuit, self.steps, self.f_hz = circuit, steps, f_hz
        self.out = circuit.names.index("out")
        self.idle_db = float(20 * np.log10(np.abs(circuit.response([f_hz])["out"][0])))
        self.starts = {}

    def period(self, level_dbu):
        """(steps + 1, unknowns) over one period that begins where the tone rises through zero."""
        peak = peak_v(level_dbu)
        start = self.starts[min(self.starts, key=lambda x: abs(x - level_dbu))] if self.starts else None
        rows = periodic.steady_state(
            self.circuit, lambda t: peak * np.sin(2 * np.pi * self.f_hz * t), self.f_hz, self.steps, start
        )  # fmt: skip
        self.starts[level_dbu] = rows[0]
        return rows

    def harmonics_v(self, level_dbu):
        return periodic.amplitudes(self.period(level_dbu)[:, self.out], ORDERS)

    def output_dbu(self, level_dbu):
        return float(20 * np.log10(self.harmonics_v(level_dbu)[0] / peak_v(0.0)))

    def reduction_db(self, level_dbu):
        return self.idle_db + level_dbu - self.output_dbu(level_dbu)

    def thd(self, level_dbu):
        fundamental, *others = self.harmonics_v(level_dbu)
        return float(np.linalg.norm(others) / fundamental)

    def threshold_dbu(self, wanted_db, levels_dbu, reductions_db):
        """Level of that gain reduction, between the neighbours of a rising curve that it lies between."""
        after = next(k for k, found in enumerate(reductions_db) if found > wanted_db)
        around = levels_dbu[after - 1 : after + 1]
        return float(brentq(lambda level: self.reduction_db(level) - wanted_db, *around, xtol=1e-3))

    def curve(self, levels_dbu):
        """Gain at rest, outputs and thresholds, as the stored figures have them."""
        reductions_db = [self.reduction_db(level) for level in levels_dbu]
        return {
            "idle_gain_db": self.idle_db,
            "output_dbu": [self.idle_db + level - db for level, db in zip(levels_dbu, reductions_db, strict=True)],
            "threshold_dbu": {f"{db:g}": self.threshold_dbu(db, levels_dbu, reductions_db) for db in (0.5, 2.0)},
        }
