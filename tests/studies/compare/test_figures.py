"""The four bench figures of a version: taken by the bench's procedures, kept, and reasons where there is none."""

import pytest

from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.operating import threshold_dbu
from fetsim.schematic.load import load_unit
from fetsim.studies.compare import figures
from fetsim.studies.compare.figures import CONDITIONS, bench_figures, kept_figures


def quiet(share):
    pass


@pytest.fixture(scope="module")
def built():
    return bench_figures(load_unit("teaching"), "draft", quiet)


def test_figures_of_the_teaching_loop(built):
    unit = load_unit("teaching")
    assert built.threshold_dbu == pytest.approx(threshold_dbu(Bench(unit, "draft"), 1000.0))
    assert built.release_ms == pytest.approx(52.5, rel=0.05)  # R4 C2 = 150 ms, and only half a volt of 7 V to go
    assert built.thd_percent > 1.0  # no linearising network
    assert built.attack_ms is None and "faster than" in built.reasons["attack_ms"]
    assert set(CONDITIONS) <= set(built.__dataclass_fields__)


def test_figures_are_kept(cache, built, monkeypatch):
    def measure(unit, quality, progress):
        progress(1.0)
        return built

    monkeypatch.setattr(figures, "bench_figures", measure)
    assert kept_figures(cache, load_unit("teaching"), "draft", quiet) == built
    monkeypatch.setattr(figures, "bench_figures", lambda *_: pytest.fail("measured again"))
    shares = []
    assert kept_figures(cache, load_unit("teaching"), "draft", shares.append) == built
    assert shares == [1.0]


def test_figures_follow_the_parts(built):
    """Twice the release resistor: twice the release, and hardly another threshold (what leaks through it is less)."""
    slower = bench_figures(load_unit("teaching").changed(R4="2M"), "draft", quiet)
    assert slower.release_ms / built.release_ms == pytest.approx(2.0, abs=0.05)
    assert -0.5 < slower.threshold_dbu - built.threshold_dbu < 0.0


def test_no_gain_reduction_no_figure():
    unit = load_unit("teaching").changed({"A1.gain": 1e-3, "V1": "-120V", "V2": "-100V"})
    found = bench_figures(unit, "draft", quiet)
    assert found.threshold_dbu is None and "does not reach 0.5 dB" in found.reasons["threshold_dbu"]
    assert found.attack_ms is None and found.release_ms is None and found.thd_percent is not None
