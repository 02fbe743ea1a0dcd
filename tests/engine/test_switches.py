"""Any subset of the Dunlin's curve switches: what each does to the two thresholds, by hand."""

import json
from itertools import chain, combinations

import numpy as np
import pytest

from fetsim.measurements.bench.bench import Bench, tone
from fetsim.schematic.load import load_unit
from tests.reference.stored import DATA

BUS_OHM = {"S1": 330e3, "S2": 18e3, "S3": 7.5e3}
SUBSETS = list(chain.from_iterable(combinations(("S1", "S2", "S3"), k) for k in range(4)))


@pytest.mark.parametrize("closed", SUBSETS, ids=lambda s: "+".join(s) or "none")
def test_dc_threshold_is_the_bus_divider(closed):
    """Bus = vn (1/20k + sum 1/R4x) / (1/10k + 1/20k + sum 1/R4x): Millman's theorem."""
    bench = Bench(load_unit("dunlin").changed(curve="+".join(closed) or "none"))
    at = {name: bench.bias[k] for name, k in bench.system.index.items()}
    to_rail = 1 / 20e3 + sum(1 / BUS_OHM[s] for s in closed)
    # 1 nA of diode leakage through 10k is 10 uV, an open contact's 1 Tohm less
    assert at["bus"] == pytest.approx(at["vn"] * to_rail / (to_rail + 1 / 10e3), abs=3e-5)


def tail_db(level_dbu):
    """Mean and most of what the tail takes over a cycle, by hand.

    The linearising network puts half of the drain's voltage on the gate, which rests beyond pinch-off, so
    i = beta (o(v_g + v/2)^2 - o(v_g - v/2)^2), against the divider's impedance; drain, gate and impedance at rest are
    those of the hand-written equations.
    """
    figures, rest, response = (
        json.loads((DATA / f"dunlin_{name}.json").read_text()) for name in ("figures", "bias", "response")
    )
    gain = abs(complex(*response["dr"][response["f_hz"].index(1000.0)]))
    turn = 2.0 * np.pi * (np.arange(480) + 0.5) / 480
    v = gain * np.sqrt(1.2) * 10.0 ** (level_dbu / 20.0) * np.sin(turn)
    k = 2 * 0.02585
    near, far = (k * np.log1p(np.exp((rest["none"]["g"] + 4.5 + half) / k)) for half in (v / 2.0, -v / 2.0))
    loss_db = 20.0 * np.log10(1.0 + figures["divider_ohm"] * 15e-3 / 4.5**2 * (near**2 - far**2) / v)
    return np.mean(loss_db) - figures["idle_loss_db"], np.max(loss_db) - figures["idle_loss_db"]


def test_no_switch_closed_means_no_gain_reduction():
    bench = Bench(load_unit("dunlin").changed(curve="none"))
    found = bench.run().play(tone(10.0, 1000.0, 0.05, bench.rate_hz))
    last = found.reduction_db[-round(bench.rate_hz / 1000.0) :]
    mean_db, most_db = tail_db(10.0)
    assert (last.mean(), last.max()) == pytest.approx((mean_db, most_db), rel=0.1)


def test_every_subset_reduces_gain_at_full_level():
    reductions = {}
    for closed in SUBSETS[1:]:
        bench = Bench(load_unit("dunlin").changed(curve="+".join(closed)))
        found = bench.run().play(tone(10.0, 1000.0, 0.1, bench.rate_hz))
        reductions[closed] = found.reduction_db[-480:].mean()
    assert min(reductions.values()) > 10.0
    assert len({round(r, 2) for r in reductions.values()}) > 4  # they do differ
