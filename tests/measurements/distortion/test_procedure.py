"""Distortion of the Dunlin against its hand-written equations, and of circuits with known harmonics."""

import json

import numpy as np
import pytest

from fetsim.errors import InputError, UnitError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.distortion.procedure import measure_distortion, sine_distortion
from fetsim.measurements.trim_null.procedure import measure_trim_null
from fetsim.schematic.load import load_unit
from tests.measurements.units import PLAIN_IRON
from tests.reference.stored import DATA

DUNLIN = load_unit("dunlin")
TEACHING = load_unit("teaching")
SLOW = {"P3.fraction": 0.3, "P4.fraction": 1.0}
FIGURES = json.loads((DATA / "dunlin_figures.json").read_text())  # THD at 1 kHz, S2, slow release
LEVELS_DBU = tuple(FIGURES["thd_levels_dbu"])  # about 6.5, 10 and 20 dB of gain reduction


@pytest.fixture(scope="module")
def as_built():
    return measure_distortion(PLAIN_IRON.changed(SLOW), levels_dbu=LEVELS_DBU, two_tones=False)


@pytest.fixture(scope="module")
def without_r4():
    """C1 hangs in the air with it, so that it need not charge through 1 Gohm."""
    unit = PLAIN_IRON.changed({**SLOW, "R4": "1000M", "C1": "1p"})
    return measure_distortion(unit, levels_dbu=LEVELS_DBU, two_tones=False, with_noise=False)


def test_thd_of_the_dunlin_against_its_hand_written_equations(as_built, without_r4):
    """Ten harmonics of a steady state found by shooting; the third alone moves by a hundredth in 0.01 dB of level."""
    assert FIGURES["error"]["thd_share"] < 1e-3
    for name, found in (("as built", as_built), ("without R4", without_r4)):
        for point, expected, reduction in zip(found.tones, FIGURES["thd"][name], (6.5, 10.0, 20.0), strict=True):
            assert point.gain_reduction_db == pytest.approx(reduction, abs=0.4)
            assert point.thd_f == pytest.approx(expected, rel=0.01)


def test_levels_that_give_a_gain_reduction():
    wanted = [20.0, 10.0]
    found = measure_distortion(TEACHING, reductions_db=wanted, two_tones=False, with_noise=False)
    assert [point.gain_reduction_db for point in found.tones] == pytest.approx(sorted(wanted), abs=0.01)


def test_both_references_and_ten_harmonics(as_built, without_r4):
    for point in (*as_built.tones, *without_r4.tones):
        assert point.harmonic.size == 9
        assert point.thd_f == pytest.approx(float(np.linalg.norm(point.harmonic)))
        assert point.thd_r == pytest.approx(point.thd_f / np.hypot(1.0, point.thd_f))


def test_second_harmonic_and_intermodulation_agree(without_r4):
    """y = x + a x^2: the pair of side tones of a low tone of amplitude A on a high one is 4 times HD2 at A (algebra).

    The low tone has 0.8 of the sine's peak. Frequencies differ (60 Hz against 1 kHz), and the loop's control ripples at
    the low one, so agreement is loose.
    """
    unit = DUNLIN.changed({**SLOW, "R4": "1000M", "C1": "1p"})
    (found,) = measure_distortion(unit, levels_dbu=[0.22], with_noise=False).two_tones
    assert found.smpte.order_2 == pytest.approx(4.0 * 0.8 * without_r4.tones[1].harmonic[0], rel=0.3)


def test_intermodulation_of_the_dunlin(as_built):
    (point,) = measure_distortion(DUNLIN.changed(SLOW), levels_dbu=[0.22], with_noise=False).two_tones
    assert point.smpte.lower_hz == 60.0 and point.smpte.upper_hz == 7000.0
    assert point.smpte.lower_amplitude / point.smpte.upper_amplitude == pytest.approx(4.0, rel=0.03)
    assert 0.001 < point.smpte.order_2 < 0.02
    assert point.difference_tone.summed < 5e-4
    # the peak is that of the sine, so a peak rectifier reduces nearly as much
    for reduction in (point.gain_reduction_db, point.difference_tone_reduction_db):
        assert reduction == pytest.approx(as_built.tones[1].gain_reduction_db, abs=0.6)


def test_thd_and_noise_adds_the_noise_of_the_unit(as_built):
    for noisy, tone in zip(as_built.with_noise, as_built.tones, strict=True):
        assert noisy.distortion_ratio == pytest.approx(tone.thd_r, rel=0.03)
        noise = 10.0 ** ((noisy.noise_dbu - tone.fundamental_dbu) / 20.0)
        assert noisy.ratio == pytest.approx(np.hypot(noisy.distortion_ratio, noise), rel=1e-3)
        assert -90.0 < noisy.noise_dbu < -60.0


def test_noise_beyond_the_deepest_reduction_is_that_of_the_deepest():
    """At +24 dBu the signal drives the teaching loop's gate forward, further than it can be held."""
    levels = [16.0, 20.0, 24.0]
    found = measure_distortion(load_unit("teaching"), levels_dbu=levels, two_tones=False, quality="draft").with_noise
    held, deep, deepest = (point.noise_dbu for point in found)
    assert found[1].gain_reduction_db > 30.28
    assert deepest == pytest.approx(deep, abs=1e-6)
    assert deep < held


def test_ripple_of_the_control_falls_with_frequency():
    """Gain ripple m at 2f gives H3 = m / 2, and the capacitor makes m fall as 1/f (textbook)."""
    found = measure_distortion(
        DUNLIN, levels_dbu=[0.0], frequencies_hz=[100.0, 400.0], two_tones=False, with_noise=False
    )
    third = [point.harmonic[1] for point in found.tones]
    assert third[0] / third[1] == pytest.approx(4.0, rel=0.1)


def test_second_harmonic_of_an_unlinearised_channel():
    """Divider of R and a channel i(v) = g v - c v^2, drain amplitude A: HD2 = c A / 2 * R r / (R + r), for A << o.

    With one end moved, i = b (o_s^2 - o_d^2) and dw/dv = w (1 - w) / 2 V_T, so that 1 / r = 2 b o w and
    c = b (w^2 + o w (1 - w) / 2 V_T) by differentiation; in the square law HD2 = A / (4 o) * R / (R + r). The gate is
    held by a release so slow that it does not follow; the third order is worth 1 % at A / o = 0.05.
    """
    unit = TEACHING.changed({"V2.voltage": "-4.2V", "J1.channel_slope": 0})
    bench = Bench(unit)
    point = sine_distortion(bench.run(), -35.0, 1000.0)
    beta, tail_v, series = 15e-3 / 4.5**2, 2 * 0.02585, 4750.0
    above = bench.bias[bench.system.index["g"]] + 4.5
    over, w = tail_v * np.log1p(np.exp(above / tail_v)), 1.0 / (1.0 + np.exp(-above / tail_v))
    r, bend = 1.0 / (2.0 * beta * over * w), beta * (w**2 + over * w * (1.0 - w) / tail_v)
    drain = np.sqrt(1.2) * 10.0 ** (-35.0 / 20.0) * r / (r + series)
    assert drain / over < 0.05
    assert point.harmonic[0] == pytest.approx(0.5 * bend * drain * series * r / (series + r), rel=0.01)


def test_no_distortion_at_a_whisper():
    """Ideal amplifier, channel pinched off: nothing but rounding."""
    point = sine_distortion(Bench(TEACHING).run(), -60.0, 1000.0)
    assert point.gain_reduction_db == pytest.approx(0.0, abs=1e-6)
    assert point.thd_f < 1e-5


@pytest.fixture(scope="module")
def null():
    return measure_trim_null(DUNLIN.changed(SLOW), "R4", span=0.2, steps=3, level_dbu=0.22, quality="draft")


def test_null_of_the_linearising_network(null):
    """R4 = R3 (2 A_p - 1) = 2.27M by design; 20 % off costs about 0.2 % of second harmonic (independent simulator)."""
    assert null.inside
    assert null.best == pytest.approx(2.22e6, rel=0.02)
    assert null.best_second < 0.0005 < 0.0015 < min(null.second[0], null.second[-1])
    assert null.second[-1] == pytest.approx(0.002, rel=0.15)
    assert null.best_second <= null.present_second <= null.second[0]
    assert np.all(null.third < 2e-4)


def test_null_outside_the_sweep_is_told():
    found = measure_trim_null(DUNLIN.changed({**SLOW, "R4": "3M"}), "R4", span=0.1, steps=3, level_dbu=0.22)
    assert not found.inside and found.best == pytest.approx(2.7e6)


def test_a_control_as_the_trim():
    found = measure_trim_null(DUNLIN.changed(SLOW), "idle_trim", span=0.5, steps=3, level_dbu=0.22, quality="draft")
    assert found.quantity == "plain"
    assert found.value[0] == pytest.approx(0.1) and found.value[-1] == pytest.approx(1.0)


def test_result_for_json(as_built):
    plain = as_built.to_dict()
    assert plain["tones"][0]["thd_f"] == as_built.tones[0].thd_f
    assert len(plain["tones"][0]["harmonic"]) == 9 and plain["with_noise"][0]["ratio"] > 0.0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"levels_dbu": [0.0], "reductions_db": [3.0]}, "give one of the two"),
        ({"levels_dbu": []}, "levels: give at least one"),
        ({"frequencies_hz": []}, "frequencies: give at least one"),
        ({"levels_dbu": [0.0], "frequencies_hz": [50e3]}, "50000 Hz cannot be played"),
        ({"reductions_db": [60.0]}, "does not reach 60 dB"),
    ],
)
def test_mistakes(arguments, message):
    with pytest.raises(InputError, match=message):
        measure_distortion(TEACHING, **arguments)


@pytest.mark.parametrize(
    ("trimmed", "arguments", "message"),
    [
        ("R99", {}, "R99: no part, control or switch bank"),
        ("curve", {}, "trim: curve has no number"),
        ("R4", {"span": 1.5}, "span: is 1.5"),
        ("R4", {"steps": 2}, "give a number from 3"),
    ],
)
def test_mistakes_with_a_trim(trimmed, arguments, message):
    with pytest.raises((InputError, UnitError), match=message):
        measure_trim_null(DUNLIN, trimmed, **arguments)
