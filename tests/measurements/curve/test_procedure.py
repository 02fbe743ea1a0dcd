"""Static curves of the Dunlin against its hand-written equations, and what a curve has to say in hard cases.

The figures in ``tests/data/dunlin_figures.json`` are steady states of those equations, found by shooting. 0.12 s after
a step of 2 dB the output lies up to 0.06 dB higher still: the linearising capacitor C1 has not charged.
"""

import json

import numpy as np
import pytest

from fetsim.errors import ConvergenceError, InputError, UnitError
from fetsim.measurements.curve.procedure import measure_curve
from fetsim.report.look.terminal import account_text
from fetsim.report.pages.report.sections import curve_section
from fetsim.rig.runner import unwatched
from fetsim.schematic.load import load_unit
from tests.measurements.units import PLAIN_IRON, with_an_oscillator
from tests.reference.stored import DATA

DUNLIN = load_unit("dunlin")
TEACHING = load_unit("teaching")
FIGURES = json.loads((DATA / "dunlin_figures.json").read_text())
GRID_DBU = np.array(FIGURES["levels_dbu"], dtype=float)


@pytest.fixture(scope="module")
def steady():
    found = measure_curve(PLAIN_IRON, switches=["S1", "S2", "S3"], levels_dbu=GRID_DBU, compare=False)
    return {one.switches: one for one in found.curves}


@pytest.mark.parametrize("switches", FIGURES["curves"])
def test_the_dunlin_against_its_hand_written_equations(steady, switches):
    """Settled to 0.0005 dB, thresholds between readings 0.125 dB apart, BDF against Radau: each worth a millibel."""
    expected, one = FIGURES["curves"][switches], steady[switches]
    grid = np.isin(one.curve.level_dbu, GRID_DBU)
    output_dbu, reduction_db = one.curve.output_dbu[grid], one.curve.gain_reduction_db[grid]
    assert FIGURES["error"]["output_db"] < 1e-4
    assert one.idle_gain_db == pytest.approx(expected["idle_gain_db"], abs=1e-4)
    np.testing.assert_allclose(output_dbu, expected["output_dbu"], atol=0.002)
    np.testing.assert_allclose(
        reduction_db, expected["idle_gain_db"] + GRID_DBU - expected["output_dbu"], atol=0.002
    )
    assert one.curve.threshold_half_db_dbu == pytest.approx(expected["threshold_dbu"]["0.5"], abs=0.01)
    assert one.curve.threshold_2db_dbu == pytest.approx(expected["threshold_dbu"]["2"], abs=0.01)


@pytest.mark.parametrize("switches", FIGURES["curves"])
def test_ratios_of_the_dunlin(steady, switches):
    """Rise of the input over that of the output, between levels 2 dB apart: the knee is round, so the largest ratio is
    several dB above the threshold, where these intervals are the curve's own."""
    one, output_dbu = steady[switches], np.array(FIGURES["curves"][switches]["output_dbu"])
    slope, middle_dbu = np.diff(output_dbu) / np.diff(GRID_DBU), 0.5 * (GRID_DBU[1:] + GRID_DBU[:-1])
    flattest = int(np.argmin(slope))
    assert one.curve.largest_ratio == pytest.approx(1.0 / slope[flattest], rel=0.02)
    assert one.curve.largest_ratio_at_dbu == middle_dbu[flattest]
    reduction_db = FIGURES["curves"][switches]["idle_gain_db"] + GRID_DBU - output_dbu
    at_10_db = np.interp(np.interp(10.0, reduction_db, GRID_DBU), middle_dbu, slope)
    assert one.ratio_at_10db == pytest.approx(1.0 / at_10_db, rel=0.02)


def test_steady_state_lies_close_below_the_waited_curve():
    above = GRID_DBU >= -8.0
    levels = np.concatenate([[-10.0], GRID_DBU[above]])
    (late,) = measure_curve(
        PLAIN_IRON, switches=["S2"], levels_dbu=levels, wait_s=0.12, compare=False, quality="draft"
    ).curves
    waited = np.interp(GRID_DBU[above], late.curve.level_dbu, late.curve.output_dbu)
    difference = waited - np.array(FIGURES["curves"]["S2"]["output_dbu"])[above]
    assert np.all(difference > 0.0) and np.all(difference < 0.06)


def test_thresholds_are_refined(steady):
    """The step that holds a threshold is halved to 0.125 dB, so the figure is not that of the 1 or 2 dB grid."""
    curve = steady["S2"].curve
    for threshold in (curve.threshold_half_db_dbu, curve.threshold_2db_dbu):
        after = int(np.searchsorted(curve.level_dbu, threshold))
        assert curve.level_dbu[after] - curve.level_dbu[after - 1] <= 0.125


def test_reduction_in_the_cell_is_that_at_the_output(steady):
    """Two ways of reading: channel conductance against the divider, and the fall of the output's fundamental.

    They are most apart (0.03 dB) just above the threshold, where the channel opens at the crests only.
    """
    one = steady["S2"]
    np.testing.assert_allclose(one.cell_reduction_db, one.curve.gain_reduction_db, atol=0.035)
    assert one.clips_dbu is None
    assert np.all(np.diff(one.control_v[one.curve.level_dbu > -10]) > 0.0)


def test_the_sidechain_switched_off_gives_no_gain_reduction():
    found = measure_curve(DUNLIN, switches=["none"], levels_dbu=[-30.0, -20.0, -10.0, -5.0], compare=False)
    (one,) = found.curves
    assert one.switches == "none"
    assert one.curve.threshold_half_db_dbu is None and one.ratio_at_10db is None
    assert "never reaches 0.5 dB" in one.curve.reasons["threshold_half_db_dbu"].text
    np.testing.assert_allclose(one.curve.gain_reduction_db, 0.0, atol=0.01)
    np.testing.assert_allclose(one.curve.local_ratio, 1.0, atol=0.002)


def test_clipping_is_not_called_gain_reduction():
    """Without compression the line stage clips at +21 dBu at the output; the FET accounts for none of it."""
    found = measure_curve(DUNLIN, switches=["none"], levels_dbu=[-10.0, -4.0, 2.0, 5.0], wait_s=0.05, compare=False)
    (one,) = found.curves
    assert one.clips_dbu == 5.0
    assert one.curve.gain_reduction_db[-1] > 1.0
    np.testing.assert_allclose(one.cell_reduction_db, 0.0, atol=0.05)


def test_a_level_below_the_lowest_tells_to_start_lower():
    (one,) = measure_curve(TEACHING, levels_dbu=[-10.0, -5.0, 0.0]).curves
    assert one.curve.threshold_half_db_dbu is None
    assert "at the lowest level already; start lower" in one.curve.reasons["threshold_half_db_dbu"].text


def test_the_fet_bottoms_out():
    """Channel fully on, 150 ohm under 4750: 20 lg(1 + 4750 / 150) = 30.3 dB, a little more with the gate conducting."""
    (one,) = measure_curve(TEACHING, levels_dbu=np.arange(0.0, 31.0, 3.0)).curves
    assert one.curve.most_gain_reduction_db == pytest.approx(31.0, abs=0.8)
    assert 15.0 < one.curve.bottoms_out_dbu < 27.0
    assert one.curve.local_ratio[-1] == pytest.approx(1.0, abs=0.1)


def test_electrically_equal_subsets():
    """With its resistors at 1 Gohm, S1 does nothing: every subset is equal to the same one with S1 closed."""
    unit = DUNLIN.changed(R31="1000M", R41="1000M")
    found = measure_curve(unit, switches=["S2"], levels_dbu=[-8.0, -7.5, -7.0], wait_s=0.02, quality="draft")
    assert found.compared == 8
    equal = {group.names: group.largest_difference_db for group in found.equals}
    for pair in (("none", "S1"), ("S2", "S1+S2"), ("S3", "S1+S3"), ("S2+S3", "S1+S2+S3")):
        assert equal[pair] < 0.01


@pytest.mark.slow
def test_a_subset_that_never_settles_is_named_and_left_out(tmp_path):
    """S1 closes the loop of an oscillator; S2 does nothing."""
    unit = load_unit(with_an_oscillator(tmp_path))
    found = measure_curve(unit, levels_dbu=[-30.0, -15.0, 0.0], quality="draft")
    assert [one.switches for one in found.curves] == ["S2"]
    assert set(found.left_out) == {"S1", "S1+S2"} and found.compared == 2
    # sqrt(1 - (A - 3)^2 / 4) / (2 pi R C) = 689 Hz with A = 4 (bridge oscillator, circuit theory); loaded a little
    assert found.left_out["S1"].startswith("unstable at rest: an oscillation at 691 Hz")
    assert "around A2;" in found.left_out["S1"] and "; at -30 dBu: no steady state" in found.left_out["S1"]
    assert "does it oscillate?" not in found.left_out["S1"]
    alone = measure_curve(load_unit("teaching"), levels_dbu=[-30.0, -15.0, 0.0], quality="draft").curves[0]
    np.testing.assert_allclose(found.curves[0].curve.output_dbu, alone.curve.output_dbu, atol=0.01)
    assert [group.names for group in found.equals] == [("none", "S2")]
    assert "switches S1: unstable at rest" in " ".join(account_text(found.account()).split())
    with pytest.raises(ConvergenceError, match=r"^switches S1: unstable at rest.* at -30 dBu: no steady state"):
        measure_curve(unit, switches=["S1"], levels_dbu=[-30.0, -15.0, 0.0], quality="draft", compare=False)


@pytest.mark.slow
def test_the_page_survives_a_setting_that_never_settles(tmp_path):
    section = curve_section(load_unit(with_an_oscillator(tmp_path)).changed(extra="S1"), "draft", unwatched)
    assert not section.problem and section.tables and section.pictures
    notes = [note for table in section.tables for note in table.notes]
    assert any(note.startswith("Left out: switches S1: unstable at rest") for note in notes)


def test_drive_moves_the_curve_along_the_input():
    """The input attenuator moves the threshold by its own decibels, at the same output level (a fact of the trade)."""
    levels = np.array([-13.0, -11.0, -9.0])
    down = DUNLIN.changed({"P1.fraction": 0.089})
    (one,) = measure_curve(DUNLIN, switches=["S2"], levels_dbu=levels, wait_s=0.1, compare=False).curves
    (less,) = measure_curve(down, switches=["S2"], levels_dbu=levels + 6.0, wait_s=0.1, compare=False).curves
    moved = one.idle_gain_db - less.idle_gain_db
    assert moved == pytest.approx(6.0, abs=0.3)  # half the track, and a little of the source's loading
    shift = less.curve.threshold_half_db_dbu - one.curve.threshold_half_db_dbu
    assert shift == pytest.approx(moved, abs=0.1)


def test_result_for_json():
    plain = measure_curve(TEACHING, levels_dbu=[-30.0, -15.0, 0.0]).to_dict()
    assert plain["provenance"]["unit"] == "Teaching loop" and plain["compared"] == 0
    assert plain["curves"][0]["switches"] == ""
    assert plain["curves"][0]["curve"]["level_dbu"][0] == -30.0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"levels_dbu": [0.0, -1.0, 2.0]}, "levels: must rise"),
        ({"levels_dbu": [0.0, 1.0]}, "at least 3 are needed"),
        ({"levels_dbu": [0.0, 1.0, 99.0]}, "within -100 to 60 dBu"),
        ({"wait_s": 0.0}, "wait: is 0.0"),
        ({"switches": ["S4"]}, "no switch named 'S4'"),
        ({"switches": ["tone=S1"]}, r"no bank is called 'tone'; choose from curve \(S1, S2, S3\)"),
    ],
)
def test_mistakes(arguments, message):
    with pytest.raises((InputError, UnitError), match=message):
        measure_curve(DUNLIN, **arguments)


def test_switches_of_a_unit_without_any():
    with pytest.raises(InputError, match="Teaching loop has no switches"):
        measure_curve(TEACHING, switches=["S1"])


@pytest.mark.slow
def test_thresholds_of_all_subsets_are_those_of_their_curves():
    levels = np.arange(-24.0, 4.1, 2.0)
    found = measure_curve(load_unit("dunlin"), switches=["S1", "S2+S3"], levels_dbu=levels, quality="draft")
    compared = {one.switches: one for one in found.thresholds}
    assert len(compared) == found.compared == 8
    for whole in found.curves:  # each was found from levels 2 dB apart, and again from levels 6 dB apart
        one = compared[whole.switches]
        assert one.threshold_half_db_dbu == pytest.approx(whole.curve.threshold_half_db_dbu, abs=0.05)
        assert one.threshold_2db_dbu == pytest.approx(whole.curve.threshold_2db_dbu, abs=0.05)
    (table,) = [table for table in found.tables() if table.key == "distinct"]
    assert len(table.rows) == 8 - sum(len(group.names) - 1 for group in found.equals)
