"""Values for a wish: closed forms found again, all neighbours tried by hand, reasons where nothing meets it."""

from itertools import product
from math import log, log10, pi

import numpy as np
import pytest

import fetsim
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.schematic.load import load_unit
from fetsim.studies.wish.optimum import Optimum, optimum
from fetsim.studies.wish.preferred import ranked
from fetsim.studies.wish.question import question_of
from fetsim.studies.wish.ways import ways_of
from tests.studies.spread.units import corner_hz, made

LOADED_RC = """
name = "Loaded RC"
[stages.all.parts]
IN = { kind = "input", nodes = ["a", "0"], source_resistance = "1" }
R1 = { kind = "resistor", value = "10k", nodes = ["a", "b"] }
C1 = { kind = "capacitor", value = "100p", nodes = ["b", "0"] }
OUT = { kind = "output", nodes = ["b", "0"], load = "10k" }
"""
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)  # IEC 60063, from memory
KHZ, SOURCE_OHM = 1e3, 1.0


@pytest.fixture(autouse=True)
def own_cache(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture
def rc(tmp_path):
    return made(LOADED_RC, tmp_path)


def gain_db(ohm, farad):
    """Of the loaded RC at 1 kHz: a divider into 10 kohm, and one pole."""
    own_hz = 1.0 / (2.0 * pi * parallel_ohm(ohm) * farad)
    return 20.0 * log10(1e4 / (ohm + 1e4 + SOURCE_OHM)) - 10.0 * log10(1.0 + (KHZ / own_hz) ** 2)


def parallel_ohm(ohm):
    return 1e4 * (ohm + SOURCE_OHM) / (1e4 + ohm + SOURCE_OHM)


def high_hz(ohm, farad):
    return float(corner_hz(parallel_ohm(ohm) - 1.0, farad))


def asked(unit, wants, may, **more):
    return fetsim.wish(unit, wants, may, quality="draft", workers=1, **more)


def test_values_whose_figures_are_wished_for_are_found_again(rc):
    truth = {"R1": 6800.0, "C1": 220e-12}
    wants = [f"gain={gain_db(*truth.values())}dB +-0.01dB", f"high_corner={high_hz(*truth.values())} +-0.1%"]
    found = asked(rc, wants, ["R1", "C1"])
    assert found.exact.values == pytest.approx(truth, rel=1e-4)
    assert found.found[0].values == pytest.approx(truth, rel=1e-12) and found.found[0].met and found.why == ()
    assert found.build().parts["C1"].values["value"] == pytest.approx(220e-12, rel=1e-12)
    assert [one.misfit for one in found.found] == sorted(one.misfit for one in found.found)


def test_the_best_of_the_grid_is_the_best_of_all_combinations_tried_by_hand(rc):
    gain, corner_khz = -4.1, 333.0
    found = asked(rc, [f"gain={gain}dB +-0.1dB", f"high_corner={corner_khz}kHz +-2%"], ["R1", "C1"], series=["E12"])

    def misfit(ohm, farad):
        off = (gain_db(ohm, farad) - gain) / 0.1
        return np.hypot(off, log(high_hz(ohm, farad) / (1e3 * corner_khz)) / (0.5 * log(1.02 / 0.98))) / np.sqrt(2.0)

    everything = {
        (a * 10.0**k, b * 10.0**m): misfit(a * 10.0**k, b * 10.0**m)
        for (a, k), (b, m) in product(product(E12, (3, 4)), product(E12, (-11, -10)))
    }
    best = sorted(everything, key=everything.__getitem__)[:3]
    assert [tuple(one.values.values()) for one in found.found] == [pytest.approx(one, rel=1e-9) for one in best]
    assert [one.misfit for one in found.found] == pytest.approx([everything[one] for one in best], rel=2e-3)
    assert not found.found[0].met  # E12 is too coarse for it
    assert found.exact.met and "Exact values would meet every wish" in found.why[0]


@pytest.mark.slow
def test_a_loop_is_led_to_the_figures_of_another_one():
    """Thresholds and times as marched; the steps of both are between the same levels."""
    unit, truth = load_unit("teaching"), {"C2": 220e-9, "V1": -6.5}
    other = fetsim.figures_of_builds(
        {"truth": unit.changed(truth)}, figures=["release", "threshold"], nominal=unit, quality="draft", workers=1
    )
    release_s, threshold_dbu = (float(other.columns[key][0]) for key in ("release", "threshold"))
    found = asked(
        unit, [f"release={release_s}s", f"threshold={threshold_dbu}dBu +-0.05dB", "gain=same"], ["C2", "V1", "R3"],
        figures=["volts@an"],
    )  # fmt: skip
    assert found.found[0].met and found.found[0].values["C2"] == pytest.approx(220e-9)
    assert found.found[0].values["V1"] == pytest.approx(-6.5, abs=0.01)
    assert found.found[0].values["R3"] == 1e3  # does nothing that is wished for, so it stays
    assert found.present.figures["volts@an"] == pytest.approx(-7.0, abs=1e-3)
    assert found.found[0].figures["volts@an"] == pytest.approx(-6.5, abs=0.01)  # what it costs elsewhere
    assert [table.key for table in found.tables()] == ["wished", "foretold", "elsewhere", "volts"]
    assert len(found.plot().axes) == 1


def test_a_control_is_turned():
    unit = load_unit("dunlin")
    found = asked(unit, ["gain=by-3dB +-0.05dB"], ["makeup"], figures=[])
    before, after = (Bench(one, "draft").rig.idle_gain_db() for one in (unit, found.build()))
    assert after - before == pytest.approx(-3.0, abs=0.05) and found.found[0].met


@pytest.mark.parametrize(
    ("wants", "may", "lines"),
    [
        (["volts@b=1V"], ["R1"], ["Nothing that may change moves volts@b."]),
        (["gain=-15dB"], ["R1=8k..12k"], ["R1 stands at its end, 12 kohm.", "The best possible leaves gain -6.8"]),
        (["gain=-3dB", "high_corner=same"], ["R1"], ["gain and high_corner pull against each other"]),
    ],
)  # fmt: skip
def test_why_nothing_meets_it(wants, may, lines, rc):
    found = asked(rc, wants, may)
    assert not any(one.met for one in found.found)
    told = " ".join(found.account().lead)
    assert told.startswith("No combination") and all(line in told for line in lines), told


def test_the_optimum_is_that_of_a_linear_law_within_its_ends():
    law, offset = np.array([[2.0, 1.0], [-1.0, 3.0]]), np.array([1.0, -2.0])

    def misses(places):
        return np.array(places) @ law.T + offset

    wide = optimum(misses, np.zeros(2), np.full(2, -5.0), np.full(2, 5.0), 0.01)
    assert wide.way == pytest.approx(np.linalg.solve(law, -offset), abs=1e-4)
    assert wide.slope == pytest.approx(law, rel=1e-6)
    narrow = optimum(misses, np.zeros(2), np.full(2, -5.0), np.array([5.0, 0.2]), 0.01)
    assert narrow.way[1] == pytest.approx(0.2, abs=2e-3)  # then -(2 x + 1.2) 2 + (x + 1.4) = 0 for the first one
    assert narrow.way[0] == pytest.approx(-1.0 / 5.0 * (2.0 * 1.2 + 1.4), abs=5e-3)
    first = ranked(wide, [[-2.0, -1.0, 0.0], None])[0]
    free = -(law[:, 1] @ (law[:, 0] * first[0] + offset)) / (law[:, 1] @ law[:, 1])
    assert first == pytest.approx([-1.0, free], abs=1e-4)


# what is wished for, may change, and comes in; what the one line says
MISTAKES = [
    ([], ["R1"], [], "no figure is wished for"),
    (["gain"], ["R1"], [], "is not NAME=WANTED"),
    (["gane=3dB"], ["R1"], [], "none named 'gane'; did you mean gate?"),
    (["gain=3dB", "gain=2dB"], ["R1"], [], "gain is wanted both as 3dB and as 2dB"),
    (["low_corner=same"], ["R1"], [], "Loaded RC has no low_corner as it is"),
    (["high_corner=-5"], ["R1"], [], "zero or less"),
    (["high_corner=5V"], ["R1"], [], "'5V' is in volt"),
    (["high_corner=same +-150%"], ["R1"], [], "zero or less"),
    (["gain=by 10%"], ["R1"], [], "gain: '10%' is not an amount in decibel"),
    (["gain=3dB +-0dB"], ["R1"], [], "accepted of nothing"),
    (["gain=3..2"], ["R1"], [], "want: 'gain=3..2' runs backwards"),
    (["gain=..2"], ["R1"], [], "has one end"),
    (["threshold=-3"], ["R1"], [], "gain_cell"),
    (["gain=-3dB"], [], [], "0 parts may change"),
    (["gain=-3dB"], ["R3"], [], "there is no part or control 'R3'"),
    (["gain=-3dB"], ["IN"], [], "IN may not change"),
    (["gain=-3dB"], ["R1", "R1"], [], "R1 is named twice"),
    (["gain=-3dB"], ["R1=5"], [], "is not NAME=LOW..HIGH"),
    (["gain=-3dB"], ["R1=30k..5k"], [], "may: R1=30k..5k runs backwards"),
    (["gain=-3dB"], ["R1=20k..30k"], [], "must lie within the ends"),
    (["gain=-3dB"], ["R1=-20k..30k"], [], "sign of the present value"),
    (["gain=-3dB"], ["R1"], ["E13"], "there is no 'E13'"),
    (["gain=-3dB"], ["R1"], ["C1=E6"], "C1 is no part that may change"),
]


@pytest.mark.parametrize(("wants", "may", "series", "line"), MISTAKES)
def test_what_cannot_be_asked_is_one_line(wants, may, series, line, rc):
    with pytest.raises(InputError) as caught:
        asked(rc, wants, may, series=series)
    assert line in str(caught.value) and len(str(caught.value).splitlines()) == 1


@pytest.mark.parametrize("want", ["high_corner=5V", "high_corner=nan", "gain=by 1kHz", "gain=same +-nan", "gain=3..x"])
def test_what_is_written_wrong_is_told_before_anything_is_measured(want):
    with pytest.raises(InputError, match=r"^want: "):
        question_of(load_unit("teaching"), [want], ["C2"])


def test_of_combinations_alike_that_goes_first_which_changes_less():
    """The second coordinate does next to nothing: a hundredth of what is accepted is no reason to move it."""
    place = Optimum(
        way=np.zeros(2), miss=np.zeros(1), slope=np.array([[1.0, 0.01]]), low=np.full(2, -1.0), high=np.full(2, 1.0),
        start=np.array([-0.5, 0.0]),
    )  # fmt: skip
    order = [tuple(one) for one in ranked(place, [[-0.015, 0.3], [-1.0, 0.0, 1.0]])]
    assert order[:3] == [(-0.015, 0.0), (-0.015, 1.0), (-0.015, -1.0)] and order[3] == (0.3, 0.0)


def test_thresholds_that_contradict_each_other_are_refused_and_times_beyond_reach():
    for wants, line in (
        (["threshold=0dBu", "threshold_2db=-10dBu"], "threshold_2db never lies below threshold"),
        (["release=500s"], "beyond the 30 s"),
        (["attack=same"], "Teaching loop has no attack as it is"),
        (["threshold=400dBu"], "400 dBu is none"),
    ):
        with pytest.raises(InputError, match=line):
            asked("teaching", wants, ["C2"])


def test_what_was_tried_is_kept(rc, monkeypatch):
    wants = ["gain=-3dB"]
    first = asked(rc, wants, ["R1"])
    monkeypatch.setattr("fetsim.studies.kept.run_apart", None)  # nothing is left to be measured
    again = asked(rc, wants, ["R1"])
    assert [(one.values, one.figures) for one in again.found] == [(one.values, one.figures) for one in first.found]


def test_of_a_device_a_figure_changes_and_of_a_rheostat_its_control():
    with pytest.raises(InputError, match=r"J1 may not change.*as J1\.i_dss"):
        asked("teaching", ["gain=same"], ["J1"])
    assert [one.name for one in ways_of(["P4", "J1.i_dss"], [], load_unit("dunlin"))] == ["release", "J1.i_dss"]
    present, series = ways_of(["C2"], [], load_unit("teaching"))[0], "E12"
    assert present.series == series and [present.value(one) for one in sorted(present.nearest(0.0, 3))] == [
        120e-9, 150e-9, 180e-9
    ]  # fmt: skip


def test_what_tolerances_leave_of_a_combination_is_that_of_the_closed_form(rc):
    """The gain of a loaded divider: its resistor of 5 %, normal and cut at three standard deviations, moves it by
    20 lg e R1 / (R1 + 10 kohm) a share of R1; of the builds as many meet the wish as lie within it."""
    unit = rc.changed({"R1.tolerance": "5%"})
    found = asked(unit, ["gain=-5.2dB +-0.1dB"], ["R1"], series=["E24"], best=1, builds=200, figures=[])
    (best,) = found.found
    assert best.values == {"R1": 8200.0} and best.foretold.builds == 200
    spread_db = 0.05 / 3.0 * 20.0 / log(10.0) * 8200.0 / 18200.0
    low, middle, high = best.foretold.summaries["gain"].percentiles
    assert middle == pytest.approx(gain_db(8200.0, 100e-12), abs=0.01)
    assert (high - low) / 2.0 == pytest.approx(1.645 * spread_db, rel=0.25)  # 200 draws know it to a tenth
    inside = [abs(gain + 5.2) <= 0.1 for gain in (gain_db(8200.0 * (1.0 + share), 100e-12) for share in
                                                 np.random.default_rng(1).normal(0.0, 0.05 / 3.0, 20000))]  # fmt: skip
    assert best.foretold.meets.low < np.mean(inside) < best.foretold.meets.high
    assert any("of 200 builds" in text.lower() for text in found.account().lead)
    assert found.account().tables[1].key == "foretold"


def test_trims_are_set_again_in_each_combination():
    """The teaching loop's V2 keeps the gate half a volt beyond pinch-off, whatever pinch-off voltage is wished for."""
    found = fetsim.wish("teaching", ["threshold=by -1dB"], ["J1.pinch_off_voltage"], series=["any"], figures=["gate"],
                        trims=True, builds=0, best=1, quality="draft", workers=1)  # fmt: skip
    (best,) = found.found
    assert found.why == () and best.foretold is None and best.figures["gate"] == pytest.approx(-0.5, abs=1e-4)
    assert best.trims["V2"] - found.present.trims["V2"] == pytest.approx(
        best.values["J1.pinch_off_voltage"] - found.present.values["J1.pinch_off_voltage"], abs=1e-3
    )
    assert set(found.changes()) == {"J1.pinch_off_voltage", "V2"}


def test_in_a_pair_a_name_without_a_channel_is_that_of_both():
    pair = load_unit("dunlin-pair")
    (both,) = ways_of(["C16=100n..330n"], [], pair)
    assert both.name == "C16" and both.series == "E12" and both.travel.present == pytest.approx(150e-9)
    (turned,) = ways_of(["P1"], [], pair)
    assert turned.name == "drive" and turned.travel.turn
