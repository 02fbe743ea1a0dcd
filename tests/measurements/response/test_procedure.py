"""Responses of whole units: independent equations, tones in time, closed forms of the teaching unit, hard cases."""

import json
from pathlib import Path

import numpy as np
import pytest

from fetsim.errors import InputError
from fetsim.measurements.response.procedure import SWEPT_HZ, measure_response
from fetsim.schematic.load import load_unit
from tests.measurements.units import PLAIN_IRON, changed_text
from tests.reference import dunlin as equations

STORED = Path(__file__).parents[2] / "data" / "dunlin_response.json"


def by_hand_db(node, frequency_hz):
    """Gain at rest by the equations of tests/reference."""
    return float(20.0 * np.log10(np.abs(equations.response([frequency_hz])[node][0])))


@pytest.fixture(scope="module")
def dunlin():
    return load_unit("dunlin")


@pytest.fixture(scope="module")
def measured():
    """At rest and held at 10 dB, at the output and the preamp, with small tones played for comparison; without
    hysteresis, of which no tone is small enough to see nothing."""
    return measure_response(PLAIN_IRON, points=("output", "preamp"), reductions_db=(0.0, 10.0), check=True)


@pytest.fixture(scope="module")
def at_rest(dunlin):
    return measure_response(dunlin, points=("output", "preamp"), reductions_db=(0.0,))


def test_a_sweep_leaves_out_what_the_quality_cannot_carry():
    """Draft takes 144 000 steps a second: eight for each cycle of a tone of 18 kHz."""
    swept = {
        quality: measure_response(load_unit("teaching"), reductions_db=(), levels_dbu=[-10.0], quality=quality)
        for quality in ("draft", "standard")
    }
    assert swept["draft"].left_out_hz == (20e3,) and swept["standard"].left_out_hz == ()
    for measured in swept.values():
        (one,) = measured.responses
        assert sorted((*one.frequency_hz, *measured.left_out_hz)) == list(SWEPT_HZ)
    draft, standard = (swept[quality].responses[0] for quality in swept)
    assert draft.gain_db[-1] == pytest.approx(standard.value_at(16e3, standard.gain_db), abs=0.2)  # measured: 0.11
    assert "20 kHz, too high" in " ".join(note for table in swept["draft"].tables() for note in table.notes)
    assert "too high" not in " ".join(note for table in swept["standard"].tables() for note in table.notes)


def test_dunlin_at_rest_agrees_with_equations_written_by_hand(at_rest):
    """tests/reference: the same circuit without any of the package; its controls differ in the fifth digit."""
    stored = json.loads(STORED.read_text())
    for response, node in zip(at_rest.responses, ("out", "po"), strict=True):
        for frequency, (real, imaginary) in zip(stored["f_hz"], stored[node], strict=True):
            expected = complex(real, imaginary)
            gain_db = response.value_at(frequency, response.gain_db)
            phase = response.value_at(frequency, response.phase_deg)
            assert gain_db == pytest.approx(20.0 * np.log10(abs(expected)), abs=5e-4)
            assert np.cos(np.radians(phase) - np.angle(expected)) == pytest.approx(1.0, abs=1e-8)


@pytest.mark.slow
def test_dunlin_figures(at_rest):
    rest = at_rest.responses[0]
    assert rest.gain_1khz_db == pytest.approx(by_hand_db("out", 1e3), abs=5e-4)
    for corner_hz in (rest.low_corner_hz, rest.high_corner_hz):
        assert by_hand_db("out", corner_hz) - rest.gain_1khz_db == pytest.approx(-3.01, abs=0.02)


def test_linearised_and_played_agree_at_rest_and_held(measured):
    """Seven small tones through all of the circuit in time, 20 Hz to 20 kHz."""
    assert [(check.point, check.state) for check in measured.checks] == [
        ("output", "at rest"), ("preamp", "at rest"), ("output", "held at 10 dB"), ("preamp", "held at 10 dB")
    ]  # fmt: skip
    for check in measured.checks:
        assert check.largest_difference_db < 0.02, check.state
        assert np.ptp(check.tones_db) > 0.1  # the tones were not all the same


def test_gain_reduction_is_not_the_same_at_all_frequencies(measured):
    """Below 50 Hz the source of the divider (the transformer's) is lower, so there is less of it."""
    rest, _, held, _ = measured.responses
    reduction = held.gain_reduction_db
    np.testing.assert_allclose(reduction, rest.gain_db - held.gain_db, atol=1e-12)
    assert held.value_at(1000.0, reduction) == pytest.approx(10.0, abs=1e-6)
    assert held.value_at(20.0, reduction) == pytest.approx(9.96, abs=0.005)
    assert np.all(rest.gain_reduction_db == 0.0)


def test_group_delay_is_the_slope_of_the_phase(measured):
    rest = measured.responses[0]
    w = 2.0 * np.pi * rest.frequency_hz
    slope = -np.gradient(np.radians(rest.phase_deg), w)
    inside = slice(3, -3)
    np.testing.assert_allclose(rest.group_delay_s[inside], slope[inside], rtol=0.01)


def test_feedback_pairs_of_the_dunlin(dunlin):
    """Closed loop gain A / (1 + A / (1 + Rf/Re)): under 1 + Rf/Re, by 1/A of it (textbook)."""
    points = ("q1b", "q3e", "q4b", "q6e")
    at_1khz = {
        one.point: one.gain_1khz_db
        for one in measure_response(dunlin, points=points, low_hz=500.0, high_hz=2000.0).responses
    }
    for base, output, ideal in (("q1b", "q3e", 1.0 + 2400.0 / 100.0), ("q4b", "q6e", 1.0 + 3300.0 / 180.0)):
        gain = 10.0 ** ((at_1khz[output] - at_1khz[base]) / 20.0)
        assert 0.97 * ideal < gain < ideal


def test_divider_of_the_teaching_unit():
    """Held at 12 dB the drain has 1 / (1 + R_s g) of the source at every frequency: the channel is a resistor."""
    m = measure_response(load_unit("teaching"), points=("dr", "input"), reductions_db=(12.0,), high_hz=20e3)
    drain, terminals = m.responses
    np.testing.assert_allclose(drain.gain_db, -12.0, atol=0.01)  # and 9 pF with 1.2 kohm
    current_share = 50.0 / 4750.0 * (1.0 - 10.0 ** (-12.0 / 20.0))  # of the source voltage, dropped in the source
    np.testing.assert_allclose(terminals.gain_db, 20.0 * np.log10(1.0 - current_share), atol=0.01)


@pytest.mark.slow
def test_loop_closed(dunlin):
    """Against a bench that waits 0.12 s at 0 dBu: +10.70 dBu at 1 kHz (0.02 to 0.03 dB of that is the waiting)."""
    (swept,) = measure_response(dunlin, reductions_db=(), levels_dbu=(0.0,)).responses
    assert swept.gain_1khz_db == pytest.approx(10.70, abs=0.05)
    assert swept.reduction_db == pytest.approx(by_hand_db("out", 1e3) - swept.gain_1khz_db, abs=0.001)
    assert np.all(np.isnan(swept.group_delay_s))
    assert swept.low_corner_hz is None and swept.control_v is None
    # ripple on the control voltage lets more through at the lowest frequencies; above, the loop hears all alike
    assert swept.value_at(20.0, swept.gain_reduction_db) < swept.reduction_db - 0.5
    assert abs(swept.value_at(8e3, swept.gain_reduction_db) - swept.reduction_db) < 0.05


def test_result_as_plain_tables(measured):
    table = json.loads(json.dumps(measured.to_dict(), allow_nan=False))
    assert [one["state"] for one in table["responses"]] == ["at rest"] * 2 + ["held at 10 dB"] * 2
    assert len(table["responses"][0]["gain_db"]) == len(table["responses"][0]["frequency_hz"])


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"points": ("nowhere",)}, "no node or probe 'nowhere'"),
        ({"points": ("preamb",)}, "did you mean preamp"),
        ({"reductions_db": (55.0,)}, "cannot reach 55 dB; it has at most 29.9. dB"),
        ({"low_hz": 100.0, "high_hz": 100.0}, "does not rise"),
        ({"low_hz": 0.0}, "above zero"),
        ({"per_octave": 0}, "between 1 and 500"),
    ],
)
def test_what_cannot_be_measured(dunlin, wrong, message):
    with pytest.raises(InputError, match=message) as caught:
        measure_response(dunlin, **wrong)
    assert "\n" not in str(caught.value)


def test_nothing_arrives(tmp_path):
    apart = '[stages.apart]\nabout = "not connected"\n[stages.apart.parts]\n'
    apart += 'V9 = { kind = "supply", voltage = "5V", resistance = "1", node = "z9" }\n'
    apart += 'R9 = { kind = "resistor", value = "1k", nodes = ["z9", "0"] }\n'
    apart += 'KEY = { kind = "input", input = "key", nodes = ["z8", "0"], source_resistance = "50" }\n'
    apart += 'R8 = { kind = "resistor", value = "1k", nodes = ["z8", "0"] }\n'
    unit = load_unit(changed_text(tmp_path, "[stages.bias]\n", apart + "\n[stages.bias]\n"))
    with pytest.raises(InputError, match="nothing of the input arrives at z9"):
        measure_response(unit, points=("z9",))
    with pytest.raises(InputError, match="nothing of the input key arrives at output, at rest"):
        measure_response(unit, source="key")
    with pytest.raises(InputError, match="nothing of the input arrives at ctl, held at 3 dB"):
        measure_response(unit, points=("ctl",), reductions_db=(3.0,))
