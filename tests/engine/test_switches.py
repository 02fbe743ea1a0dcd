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


def test_no_switch_closed_means_no_gain_reduction():
    """But for the tail's at the crests: the linearising network brings half of the drain's 0.22 V peak to the gate,
    which rests 0.117 V beyond pinch-off. i = beta (o(v_g)^2 - o(v_g - v_d)^2) against the divider's impedance, less
    what the channel takes at rest, both from the hand-written equations."""
    bench = Bench(load_unit("dunlin").changed(curve="none"))
    found = bench.run(["g", "dr"]).play(tone(10.0, 1000.0, 0.05, bench.rate_hz))
    last = slice(-round(bench.rate_hz / 1000.0), None)
    v_g, v_d, k = found.nodes["g"][last], found.nodes["dr"][last], 2 * 0.02585
    at_source, at_drain = (k * np.log1p(np.exp((v + 4.5) / k)) for v in (v_g, v_g - v_d))
    conductance_s = 15e-3 / 4.5**2 * (at_source**2 - at_drain**2) / v_d
    figures = json.loads((DATA / "dunlin_figures.json").read_text())
    expected_db = 20.0 * np.log10(1.0 + figures["divider_ohm"] * conductance_s) - figures["idle_loss_db"]
    assert found.reduction_db[last] == pytest.approx(expected_db, abs=2e-3)
    assert expected_db.max() < 0.25


def test_every_subset_reduces_gain_at_full_level():
    reductions = {}
    for closed in SUBSETS[1:]:
        bench = Bench(load_unit("dunlin").changed(curve="+".join(closed)))
        found = bench.run().play(tone(10.0, 1000.0, 0.1, bench.rate_hz))
        reductions[closed] = found.reduction_db[-480:].mean()
    assert min(reductions.values()) > 10.0
    assert len({round(r, 2) for r in reductions.values()}) > 4  # they do differ
