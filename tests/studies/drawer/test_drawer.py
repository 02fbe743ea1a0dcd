"""A drawer against known truth: the present FET under another name, and FETs solved by equations written by hand."""

import json
from functools import partial
from math import exp, log, log10

import numpy as np
import pytest
from scipy.optimize import brentq

import fetsim
from fetsim.cli.main import main
from fetsim.devices.jfet_figures import channel_of
from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache
from fetsim.report.drawer.picture import draw
from fetsim.schematic.load import load_unit
from fetsim.schematic.unit import Unit
from fetsim.studies import kept as keeping
from fetsim.studies.drawer.fets import MeasuredFet
from fetsim.studies.drawer.fitted import fitted
from fetsim.studies.drawer.jig import fet_changes, gain_fet
from fetsim.studies.drawer.likeness import best_pairs, differences_from, unlikeness
from fetsim.studies.drawer.study import measure_drawer
from tests.reference import fet_loop
from tests.reference.parts import Jfet, jfet_currents
from tests.reference.periodic import amplitudes, steady_state

TEACHING, DUNLIN = load_unit("teaching"), load_unit("dunlin")
KT_Q_V = 0.02585
LEVELS_DBU = [-16.0, -8.0, 0.0]
TRUTHS = {"weak": (12e-3, -3.9), "strong": (18e-3, -5.0)}


def hand_read(name, i_dss_a, pinch_off_v, current_a=1e-6):
    """A FET as a jig reads it, out of the law written by hand."""

    def saturated_a(v):
        opened = [2.0 * KT_Q_V * log(1.0 + exp((x - pinch_off_v) / (2.0 * KT_Q_V))) for x in (v, 0.0)]
        return i_dss_a * (opened[0] / opened[1]) ** 2

    v_gs_off = brentq(lambda v: saturated_a(v) - current_a, pinch_off_v - 1.0, -0.1)
    return MeasuredFet(name=name, i_dss_a=i_dss_a, v_gs_off_v=v_gs_off, v_gs_off_current_a=current_a)


def present(name):
    """The unit's own FET, read at the current that flows at its pinch-off voltage."""
    figures = TEACHING.parts["J1"].device.figures
    current_a = float(channel_of(figures, KT_Q_V).saturated_a(figures["pinch_off_voltage"]))
    return MeasuredFet(
        name=name, i_dss_a=figures["i_dss"], v_gs_off_v=figures["pinch_off_voltage"], v_gs_off_current_a=current_a
    )


def empty(folder):
    folder.mkdir(mode=0o700)
    return UserCache(folder)


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    fets = [*(hand_read(name, *truth) for name, truth in TRUTHS.items()), present("twin")]
    kept = empty(tmp_path_factory.mktemp("drawer") / "kept")
    return measure_drawer(fets, TEACHING, levels_dbu=LEVELS_DBU, quality="draft", workers=1, cache=kept)


def test_the_present_fet_under_another_name_ranks_first_with_no_difference(found):
    first = found.fets[0]
    assert first.fet.name == "twin" and first.unlikeness < 1e-5
    assert first.reduction_db == pytest.approx(found.present.reduction_db, abs=1e-5)
    assert [one.fet.name for one in found.fets[1:]] == ["strong", "weak"]  # 0.5 and 0.6 V away from it
    assert found.fets[1].unlikeness > 0.5
    assert found.present.unlikeness == 0.0 and found.reference == "present FET"


def test_a_fet_does_what_equations_written_by_hand_say(found, monkeypatch):
    """Trim half a volt beyond pinch-off and gain reduction over level: the teaching loop solved by shooting."""
    i_dss_a, pinch_off_v = TRUTHS["weak"]
    one = next(each for each in found.fets if each.fet.name == "weak")
    leak_v = 0.5e-9 * 1.0001e6  # D1 in reverse draws its saturation current through R4 and V2
    assert one.set["V2"] == pytest.approx(pinch_off_v - 0.5 + leak_v, abs=1e-4)
    by_hand = Jfet(i_dss_a, pinch_off_v, 0.006, 5e-15, 9e-12, 9e-12)
    monkeypatch.setattr(fet_loop, "JFET", by_hand)
    monkeypatch.setattr(fet_loop, "jfet_currents", partial(jfet_currents, fet=by_hand))
    monkeypatch.setattr(fet_loop, "VB_V", pinch_off_v - 0.5 + leak_v)
    peak_v = 10.0 ** (LEVELS_DBU[1] / 20.0) * np.sqrt(0.6 * 2.0)
    period = steady_state(fet_loop.circuit(), lambda t: peak_v * np.sin(2e3 * np.pi * t), 1000.0, 48)
    (fundamental,) = amplitudes(period[:, list(fet_loop.UNKNOWNS).index("po")], 1)
    at_rest = 25.0 * 10e3 / 10.1e3  # the FET out: A1 into its 100 ohm and the load, the rectifier but 0.1 % of that
    reduction_db = 20.0 * log10(at_rest / (fundamental / peak_v))
    assert reduction_db == pytest.approx(one.reduction_db[1], abs=0.02) and reduction_db > 5.0


def test_tables_picture_and_figures_hold_all_of_it(found):
    keys = [table.key for table in found.tables()]
    assert keys == ["fets", "differences", "pairs", "curves"]
    table = found.tables()[0]
    assert [row[1] for row in table.rows] == ["present FET", "twin", "strong", "weak"]
    again = json.loads(found.to_json())
    assert again["fets"][0]["fet"]["name"] == "twin" and len(again["pairs"]) == 3
    assert len(draw({"": found}, "drawer").axes) == 3
    assert (found.pairs[0].one, found.pairs[0].other) == ("strong", "twin")


def test_pairs_are_ranked_by_how_well_they_track(found):
    curves = {one.fet.name: one.reduction_db for one in found.fets}
    for pair in best_pairs(found.fets, found.level_dbu):
        apart = curves[pair.one] - curves[pair.other]
        assert pair.tracking_db == pytest.approx(np.sqrt(np.mean(apart**2)))
        assert pair.worst_db == pytest.approx(apart[int(np.argmax(np.abs(apart)))])
    tracking = [pair.tracking_db for pair in found.pairs]
    assert tracking == sorted(tracking)


def test_unlikeness_counts_each_difference_in_its_scale():
    base = {"gain": 20.0, "noise": -70.0, "attack": 1e-3, "release": 0.3, "thd": 0.01}
    other = {"gain": 20.5, "noise": -71.0, "attack": 1.1e-3, "release": 0.3 / 1.1, "thd": 0.015}
    curve = np.array([0.0, 3.0, 6.0])
    apart = differences_from(base, curve, other, curve + np.array([0.5, -0.5, 0.5]))
    assert [abs(one) for one in apart.values()] == pytest.approx([1.0] * 6) and unlikeness(apart) == pytest.approx(1.0)
    assert unlikeness(differences_from(base, curve, base, curve)) == 0.0
    slow = {**base, "attack": np.nan}  # what the reference has not does not count; what a FET lacks ranks it last
    assert "attack" not in differences_from(slow, curve, other, curve)
    assert unlikeness(differences_from(base, curve, slow, curve)) == np.inf


def test_a_trim_out_of_reach_takes_a_resistor_and_a_fet_that_cannot_be_put_in_is_told():
    weak = MeasuredFet(name="C", i_dss_a=9e-3, v_gs_off_v=-3.0, v_gs_off_current_a=1e-6)
    one = fitted(fet_changes(gain_fet(DUNLIN), weak), DUNLIN, 0.5, "draft")
    assert set(one.changed) == {"R63"} and not one.told and 0.0 < one.set["idle_trim"] < 0.2
    assert one.unit(DUNLIN).parts["R63"].values["value"] == one.changed["R63"] < 5.1e3
    turned = MeasuredFet(name="P", i_dss_a=9e-3, v_gs_off_v=3.0, v_gs_off_current_a=1e-6)
    refused = fitted(fet_changes(gain_fet(DUNLIN), turned), DUNLIN, 0.5, "draft")
    assert refused.unit(DUNLIN) is None and "negative in an n-channel JFET" in refused.told[0]


def test_a_list_of_the_other_polarity_is_told_at_once(capsys, tmp_path):
    path = tmp_path / "fets.csv"
    path.write_text("name,i_dss,v_gs_off,v_gs_off_current\nA,6mA,-2.4,1uA\nB,7mA,-2.6,1uA\n", encoding="utf-8")
    code, out, err = run(capsys, path, "--unit", "greenshank")
    assert (code, out) == (2, "") and err.count("\n") == 1
    assert f"{path}: v_gs_off is negative throughout, but J1 is p-channel" in err
    assert "positive for p-channel" in " ".join(fetsim.how_text().split())


def test_of_a_joined_pair_one_channel_is_measured_alone(tmp_path):
    """It is the unit of that channel by itself; joined, the trims would pull at each other."""
    (tmp_path / "pair.toml").write_text(
        'name = "Pair"\npair = { left = "teaching", right = "teaching" }\njoined = [["left_ctl", "right_ctl"]]\n'
    )
    asked = {"levels_dbu": [-8.0], "quality": "draft", "workers": 1}
    weak = hand_read("weak", *TRUTHS["weak"])
    joined, alone = (measure_drawer([weak], unit, **asked) for unit in (tmp_path / "pair.toml", TEACHING))
    assert joined.apart == "left" and alone.apart == ""
    assert joined.fets[0].reduction_db == pytest.approx(alone.fets[0].reduction_db, abs=1e-9)
    assert "in the left one alone" in joined.account().lead[0]


def test_a_p_channel_fet_is_put_where_it_belongs():
    upside_down = load_unit("greenshank")
    p_channel = MeasuredFet(name="P", i_dss_a=7e-3, v_gs_off_v=2.6, v_gs_off_current_a=1e-6)
    put = fitted(fet_changes(gain_fet(upside_down), p_channel), upside_down, -0.7, "draft")
    assert not put.told and set(put.set) == {"idle_trim", "R8"}
    point = fetsim.idle_point(put.unit(upside_down)).part("J1")
    assert point.above_pinch_off_v == pytest.approx(-0.33, abs=1e-3)  # as the alignment says


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main(["drawer", *map(str, arguments)])
    said = capsys.readouterr()
    return ended.value.code, said.out, said.err


def test_the_command_ranks_against_a_fet_of_the_list(capsys, tmp_path):
    path = tmp_path / "fets.csv"
    path.write_text(
        "name,i_dss [mA],v_gs_off,v_gs_off_current\nA,14,-4.2,1uA\nB,14.1,-4.21,1uA\nP,9,3,1uA\n", encoding="utf-8"
    )
    figures = tmp_path / "figures.json"
    code, out, err = run(
        capsys, path, "--unit", "teaching", "--like", "A", "--level=-10,0", "-q", "draft", "--workers", 1, "--json",
        figures,
    )  # fmt: skip
    assert code == 1 and err.count("\n") == 1 and "P: " in err  # the p-channel one cannot be put in
    assert "compared with: A" in out and "Best pair: A and B" in out
    names = [one["fet"]["name"] for one in json.loads(figures.read_text())["versions"][0]["fets"]]
    assert names == ["A", "B", "P"]


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        ([], "FETS.csv: give the list of FETs"),
        (["nowhere.csv"], "nowhere.csv: no such file"),
        (["{list}", "--like", "Z"], "like: no FET of the list is named 'Z'"),
        (["{list}", "--like", "J1.nonsense=3"], "a part of kind jfet has no 'nonsense'"),
        (["{list}", "--unit", "jig"], "Jig for FETs: has no [gain_cell]"),
        (["{list}", "--off-current", "1V"], "--off-current: '1V' is in volt"),
        (["{list}", "--level", "loud"], "--level: 'loud'"),
    ],
)
def test_what_is_refused(arguments, line, capsys, tmp_path):
    path = tmp_path / "fets.csv"
    path.write_text("name,i_dss,v_gs_off,v_gs_off_current\nA,12mA,-3,1uA\n", encoding="utf-8")
    code, out, err = run(capsys, *(one.format(list=path) for one in arguments))
    assert (code, out) == (2, "") and line in err and err.count("\n") == 1


def test_how_is_printed_without_a_list(capsys):
    code, out, _ = run(capsys, "--how")
    assert code == 0 and out.startswith("MEASURING FETS") and fetsim.how_text() in out


def test_nothing_to_measure_is_refused():
    with pytest.raises(InputError, match="at least one FET and one level"):
        measure_drawer([], TEACHING)


def test_one_that_was_broken_off_goes_on_to_the_same_answer(found, tmp_path, monkeypatch):
    """With two processes, and the FETs in another order."""
    fets = [present("twin"), *(hand_read(name, *truth) for name, truth in TRUTHS.items())]
    asked = {"levels_dbu": LEVELS_DBU, "quality": "draft", "workers": 2, "cache": empty(tmp_path / "kept")}

    def stop(share):
        if share > 0.3:  # the trims are set
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        measure_drawer(fets, TEACHING, **asked, progress=stop)
    worked = []
    original = keeping.run_apart
    monkeypatch.setattr(
        keeping, "run_apart", lambda jobs, *rest, **more: worked.append(jobs) or original(jobs, *rest, **more)
    )
    again = measure_drawer(fets, TEACHING, **asked)
    ((batch,),) = worked
    assert all(isinstance(unit, Unit) for unit in batch)
    alone = {one.fet.name: one for one in found.fets}
    for one in again.fets:
        assert np.array_equal(one.reduction_db, alone[one.fet.name].reduction_db)
        assert one.set == alone[one.fet.name].set and one.unlikeness == alone[one.fet.name].unlikeness
    kept, was = (one.to_dict() for one in (measure_drawer(fets, TEACHING, **asked), again))
    assert kept["fets"] == was["fets"] and kept["pairs"] == was["pairs"] and len(worked) == 1
