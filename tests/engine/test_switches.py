"""Any subset of the Dunlin's curve switches: what each does to the two thresholds, by hand."""

from itertools import chain, combinations
from math import log10

import pytest

from fetsim.measurements.bench.bench import Bench, tone
from fetsim.schematic.load import load_unit

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
    bench = Bench(load_unit("dunlin").changed(curve="none"))
    found = bench.run().play(tone(10.0, 1000.0, 0.05, bench.rate_hz))
    # the linearising network puts half of the drain's 0.23 V peak on the gate, which rests 0.117 V below pinch-off: at
    # the crests the tail alone conducts, 37.67 kohm at pinch-off (formula) against 4.63 kohm
    assert found.reduction_db.mean() < 0.1
    assert found.reduction_db.max() < 20.0 * log10(1.0 + 4.63 / 37.67)


def test_every_subset_reduces_gain_at_full_level():
    reductions = {}
    for closed in SUBSETS[1:]:
        bench = Bench(load_unit("dunlin").changed(curve="+".join(closed)))
        found = bench.run().play(tone(10.0, 1000.0, 0.1, bench.rate_hz))
        reductions[closed] = found.reduction_db[-480:].mean()
    assert min(reductions.values()) > 10.0
    assert len({round(r, 2) for r in reductions.values()}) > 4  # they do differ
