"""Gain reduction counted from the FET taken out, with a unit whose FET conducts at rest."""

import numpy as np
import pytest

import fetsim
from fetsim.errors import InputError
from fetsim.rig.rig import Rig

CONDUCTING = fetsim.load_unit("teaching").changed(V2="-4V")
# half a volt above pinch-off, 0.741 mS against 4.75 kohm (Shichman-Hodges); the test of the rig has the sum
LOSS_DB = 20.0 * np.log10(1.0 + 4750.0 * 2.0 * 15e-3 / 4.5**2 * 0.5)
FAST = {"quality": "draft"}


def both(measure, **asked):
    return [measure(CONDUCTING, against=against, **asked, **FAST) for against in ("idle", "open")]


def test_distortion_tells_the_loss_at_rest_too():
    idle, out = both(fetsim.measure_distortion, levels_dbu=[-30.0], two_tones=False)
    for name in ("tones", "with_noise"):
        (one,), (other,) = getattr(idle, name), getattr(out, name)
        assert other.gain_reduction_db - one.gain_reduction_db == pytest.approx(LOSS_DB, abs=0.02)
    # what is held for the noise is the same state
    assert out.with_noise[0].noise_dbu == pytest.approx(idle.with_noise[0].noise_dbu, abs=1e-6)
    assert out.tones[0].thd_f == idle.tones[0].thd_f
    assert "counted from the FET taken out" in " ".join(out.provenance.told)


def test_a_reduction_is_looked_for_from_there():
    (found,) = fetsim.measure_distortion(
        CONDUCTING, reductions_db=[LOSS_DB + 6.0], two_tones=False, with_noise=False, against="open", **FAST
    ).tones
    (same,) = fetsim.measure_distortion(
        CONDUCTING, reductions_db=[6.0], two_tones=False, with_noise=False, **FAST
    ).tones
    assert found.level_dbu == pytest.approx(same.level_dbu, abs=0.05)


def test_needle_stands_at_the_loss_when_nothing_plays():
    idle, out = both(fetsim.measure_needle, burst_s=0.1, tail_s=0.1)
    assert np.abs(idle.gain_reduction_db[:10]) == pytest.approx(0.0, abs=1e-6)
    assert out.gain_reduction_db[:10] == pytest.approx(LOSS_DB, abs=0.02)
    assert out.gain_reduction_db - idle.gain_reduction_db == pytest.approx(Rig(CONDUCTING).rest.loss_db, abs=1e-6)


@pytest.mark.parametrize("read_off", ["fet", "output"])
def test_times_do_not_depend_on_it(read_off):
    steps = {"before_dbu": -40.0, "level_dbu": -5.0, "phases": 1, "read_off": read_off}
    (idle,), (out,) = (one.settings for one in both(fetsim.measure_timing, **steps))
    loss_db = Rig(CONDUCTING).rest.loss_db
    assert out.attack.reduction_after_db - idle.attack.reduction_after_db == pytest.approx(loss_db, abs=1e-6)
    assert out.attack.reduction_db - idle.attack.reduction_db == pytest.approx(loss_db, abs=1e-6)
    assert out.release.timings[0].t63_s == pytest.approx(idle.release.timings[0].t63_s, rel=1e-6)


def test_explain_tells_what_the_fet_took_before():
    idle, out = both(fetsim.measure_explain, level_dbu=-5.0, burst_s=0.05, tail_s=0.1)
    loss_db = Rig(CONDUCTING).rest.loss_db
    assert out.figures.gain.before_db - idle.figures.gain.before_db == pytest.approx(loss_db, abs=1e-6)
    assert out.figures.gain.change_db == pytest.approx(idle.figures.gain.change_db, abs=1e-6)


def test_null_of_a_trim_takes_it_too():
    idle, out = both(fetsim.measure_trim_null, trimmed="R1", span=0.1, steps=3, level_dbu=-20.0)
    assert out.gain_reduction_db[1] - idle.gain_reduction_db[1] == pytest.approx(LOSS_DB, abs=0.02)


@pytest.mark.parametrize(
    "measure", [fetsim.measure_distortion, fetsim.measure_needle, fetsim.measure_timing, fetsim.measure_explain]
)
def test_another_reference_is_refused(measure):
    with pytest.raises(InputError, match="unknown reference 'rest'; choose idle"):
        measure(CONDUCTING, against="rest")
