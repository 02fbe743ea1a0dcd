"""The four bench figures of a version: taken by the bench's procedures, kept, and reasons where there is none."""

import pytest

from fetsim.measurements.bench import Bench
from fetsim.measurements.operating import threshold_dbu
from fetsim.schematic.load import load_unit
from fetsim.studies import figures
from fetsim.studies.figures import CONDITIONS, bench_figures, kept_figures


def quiet(share):
    pass


def test_figures_of_the_teaching_loop(cache, monkeypatch):
    unit = load_unit("teaching")
    shares = []
    found = kept_figures(cache, unit, "draft", shares.append)
    assert shares == sorted(shares) and shares[-1] == 1.0
    assert found.threshold_dbu == pytest.approx(threshold_dbu(Bench(unit, "draft"), 1000.0))
    assert found.release_ms == pytest.approx(52.5, rel=0.05)  # R4 C2 = 150 ms, from 7 V down to the gate's half volt
    assert found.thd_percent > 1.0  # no linearising network
    assert found.attack_ms is None and "faster than" in found.reasons["attack_ms"]
    assert set(CONDITIONS) <= set(found.__dataclass_fields__)
    monkeypatch.setattr(figures, "bench_figures", lambda *_: pytest.fail("measured again"))
    assert kept_figures(cache, load_unit("teaching"), "draft", quiet) == found


def test_figures_follow_the_parts():
    """Threshold: the rectifier's bias over the gain. Release: doubles with its resistor."""
    unit = load_unit("teaching")
    built = bench_figures(unit, "draft", quiet)
    more_gain = bench_figures(unit.changed({"A1.gain": 50.0}), "draft", quiet)
    slower = bench_figures(unit.changed(R4="2M"), "draft", quiet)
    assert more_gain.threshold_dbu - built.threshold_dbu == pytest.approx(-6.02, abs=0.2)
    assert slower.release_ms / built.release_ms == pytest.approx(2.0, abs=0.05)


def test_no_gain_reduction_no_figure():
    unit = load_unit("teaching").changed({"A1.gain": 1e-3, "V1": "-120V", "V2": "-100V"})
    found = bench_figures(unit, "draft", quiet)
    assert found.threshold_dbu is None and "does not reach 0.5 dB" in found.reasons["threshold_dbu"]
    assert found.attack_ms is None and found.release_ms is None and found.thd_percent is not None
