"""Whole studies: circuits with closed forms, the same answer from any worker and after a break, what is refused."""

import numpy as np
import pytest

from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache
from fetsim.schematic.library import library_units
from fetsim.schematic.load import load_unit
from fetsim.studies import kept as keeping
from fetsim.studies.spread.study import spread
from tests.studies.spread.units import DIVIDER, RC, corner_hz, made
from tests.studies.trims.test_trims import DIVIDER as TONED

TEACHING = load_unit("teaching")
QUICK = {"quality": "draft", "workers": 1}


@pytest.fixture
def kept(tmp_path):
    folder = tmp_path / "kept"
    folder.mkdir(mode=0o700)
    return UserCache(folder)


def test_the_corner_of_an_rc_spreads_as_error_propagation_says(tmp_path, kept):
    """Uniform tolerances of a: sigma is a / sqrt 3 of each, and of the corner 1 / (2 pi R C) the root of both squares.
    400 draws know a standard deviation to 3.5 %; two and a half of that."""
    uniform = {"all": "uniform"}
    found = spread(made(RC, tmp_path), builds=400, figures=["high_corner"], laws=uniform, cache=kept, **QUICK)
    corner = found.found.columns["high_corner"]
    assert corner == pytest.approx([corner_hz(one["R1"], one["C1"]) for one in found.changes], rel=1e-6)
    nominal = corner_hz(9999.0, 100e-12)
    assert found.nominal.found["high_corner"] == pytest.approx(nominal, rel=1e-6)
    sigma = nominal * 0.01 * np.sqrt(2.0 / 3.0)
    assert found.summaries["high_corner"].deviation == pytest.approx(sigma, rel=0.09)
    shares = {one.group: one for one in found.blame["high_corner"].shares}
    for part in ("R1", "C1"):
        assert shares[part].share == pytest.approx(0.5, abs=1.5 * shares[part].error) and shares[part].sign == -1.0


def test_percentiles_of_a_corner_are_those_of_its_uniform_resistor(tmp_path, kept):
    unit = made(RC, tmp_path).changed({"R1.tolerance": "10%"})
    found = spread(unit, builds=300, figures=["high_corner"], laws={"all": "uniform"}, only=["R1"], cache=kept, **QUICK)
    summary = found.summaries["high_corner"]
    for percent, ends in zip((5.0, 50.0, 95.0), summary.within, strict=True):
        resistance = 9999.0 * (1.1 - 0.2 * 0.01 * percent)  # the corner falls as it rises
        assert ends[0] <= corner_hz(resistance, 100e-12) <= ends[1]
    limit = corner_hz(1.05 * 9999.0, 100e-12)  # a quarter of the resistors is larger
    part = spread(unit, builds=300, limits=[f"high_corner={limit}.."], figures=[], laws={"all": "uniform"}, only=["R1"],
                  cache=kept, **QUICK)  # fmt: skip
    share = part.yields[-1].share
    assert share.low <= 0.75 <= share.high and share.of == 300


def test_a_divider_in_gain_and_at_rest(tmp_path, kept):
    unit = made(DIVIDER, tmp_path)
    found = spread(unit, builds=60, figures=["gain", "volts@d"], moves=0.01, cache=kept, **QUICK)
    rows = found.changes
    gain_db = [20.0 * np.log10(one["R2"] / (1.0 + one["R1"] + one["R2"])) for one in rows]
    volts = [10.0 * one["R4"] / (1.0 + one["R3"] + one["R4"]) for one in rows]
    assert found.found.columns["gain"] == pytest.approx(gain_db, abs=1e-6)
    assert found.found.columns["volts@d"] == pytest.approx(volts, abs=1e-9)
    by = {one.name: one.by for one in found.moves.moves}
    slope_db = 20.0 / np.log(10.0) * 10001.0 / 15001.0  # d(gain) / d(ln R2), in dB
    assert by["R2"]["gain"] == pytest.approx(0.01 * slope_db, rel=1e-4)
    assert by["V1"]["volts@d"] == pytest.approx(0.01 * 10.0 * 1e4 / 40001.0, rel=1e-6)
    assert abs(by["R3"]["gain"]) < 1e-9
    assert [one.name for one in found.moves.largest("gain", 2)] == ["R2", "R1"]


def test_shares_of_a_divider(tmp_path, kept):
    """To first order the gain's variance is shared as the squared tolerances: 5 and 10 %, at equal slopes."""
    unit, uniform = made(DIVIDER, tmp_path), {"all": "uniform"}
    found = spread(unit, builds=128, figures=["gain"], shares=["R1"], laws=uniform, cache=kept, **QUICK)
    blame = {one.group: one for one in found.shares["gain"].shares}
    assert set(blame) == {"R1", "all others"}
    assert blame["R1"].share == pytest.approx(0.2, abs=0.03)
    assert blame["all others"].total == pytest.approx(0.8, abs=0.05)


def same(one, other):
    return np.array_equal(one.found.node_v, other.found.node_v) and all(
        np.array_equal(column, other.found.columns[key], equal_nan=True) for key, column in one.found.columns.items()
    )


def test_a_study_that_was_broken_off_goes_on_to_the_same_answer(kept, tmp_path, monkeypatch):
    """And with two workers, and without anything kept."""
    asked = {"builds": 10, "figures": ["reduction@-10", "loss"], "quality": "draft"}

    def stop(share):
        if share > 0.4:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        spread(TEACHING, **asked, workers=1, cache=kept, progress=stop)
    measured = []
    original = keeping.run_apart
    monkeypatch.setattr(
        keeping, "run_apart", lambda jobs, *rest, **more: measured.extend(jobs) or original(jobs, *rest, **more)
    )
    shares = []
    resumed = spread(TEACHING, **asked, workers=1, cache=kept, progress=shares.append)
    assert 0 < len(measured) < 3 and shares[0] > 0.3 and shares[-1] == 1.0
    other = tmp_path / "other"
    other.mkdir(mode=0o700)
    whole = spread(TEACHING, **asked, workers=2, cache=UserCache(other))
    assert same(resumed, whole)
    measured.clear()
    assert same(spread(TEACHING, **asked, workers=1, cache=kept), whole) and not measured
    alone = spread(TEACHING, **{**asked, "builds": 3}, workers=1, cache=kept)
    assert np.array_equal(alone.found.columns["reduction@-10"], whole.found.columns["reduction@-10"][:3])


def test_what_is_damaged_is_measured_again(kept, tmp_path):
    asked = {"builds": 4, "figures": ["gain"], "cache": kept, **QUICK}
    before = spread(TEACHING, **asked)
    for file in (tmp_path / "kept").rglob("rows.json"):
        file.write_text("[{}]")
    assert same(before, spread(TEACHING, **asked))


def test_builds_that_cannot_be_had_are_counted(kept):
    """A hollow draw of a supply that turns the FET on: no threshold left, but the rest is there."""
    unit = TEACHING.changed({"V2.tolerance": "60%"})
    found = spread(unit, builds=12, figures=["loss", "release"], limits=["release=..10s"], only=["V2"], cache=kept,
                   laws={"all": "hollow"}, before_dbu=-30.0, level_dbu=-25.0, **QUICK)  # fmt: skip
    lacking = sum("release" in reasons for reasons in found.found.reasons.values())
    assert 0 < lacking <= found.failures and found.summaries["release"].unknown == lacking
    assert found.yields[0].share.of == 12 and found.yields[0].share.met <= 12 - lacking
    assert np.isfinite(found.found.columns["loss"]).all()
    assert any("lack" in line for line in found.account().lead)


def test_the_worst_builds_are_units(kept, tmp_path):
    found = spread(TEACHING, builds=6, figures=["gain"], limits=["loss=..0.1"], cache=kept, **QUICK)
    worst = found.worst()
    assert set(worst) == {"gain-lowest", "gain-highest", "loss-worst"}
    assert worst["gain-lowest"] == int(np.argmin(found.found.columns["gain"]))
    saved = found.build(worst["loss-worst"]).save(tmp_path / "worst.toml")
    again = load_unit(saved)
    assert again.parts["R1"].values["value"] == pytest.approx(found.changes[worst["loss-worst"]]["R1"], rel=1e-6)


def test_only_what_is_named_varies(kept):
    found = spread(TEACHING, builds=3, figures=["gain"], only=["J1.i_dss", "C2"], cache=kept, **QUICK)
    assert [set(one) for one in found.changes] == [{"J1.i_dss", "C2"}] * 3
    whole = spread(TEACHING, builds=3, figures=["gain"], cache=kept, **QUICK)
    assert found.changes[1]["C2"] == whole.changes[1]["C2"]


@pytest.mark.parametrize("asked, wanted", [
    ({"builds": 0}, "builds: 0 cannot be drawn"), ({"builds": 10**9}, "builds: 1000000000 cannot be drawn"),
    ({"seed": -1}, "seed: -1 is none"), ({"figures": ["nothing"]}, "figure: none named 'nothing'"),
    ({"figures": []}, "figures: none is asked for"),
    ({"only": ["V1"]}, "part: V1 does not vary: no tolerance; give it one, as V1.tolerance=5%"),
    ({"only": ["D1"]}, "part: D1 does not vary: the sheet teaching-diode has no limits"),
    ({"only": ["R99"]}, "part: 'R99' is nothing that varies"),
    ({"shares": ["V1"]}, "part: V1 does not vary"), ({"shares": ["R1"], "builds": 4}, "shares: 4 builds are too few"),
    ({"moves": 0.0}, "moves: 0 % is no step"), ({"moves": 0.9}, "moves: 90 % is no step"),
    ({"laws": {"all": "flat"}}, "law: 'flat' is none"), ({"workers": 0}, "workers: 0 can do nothing"),
    ({"limits": ["loss=2..1"]}, "limit: 'loss=2..1' runs backwards"),
])  # fmt: skip
def test_what_cannot_be_asked(asked, wanted, kept):
    with pytest.raises(InputError) as caught:
        spread(TEACHING, **{"builds": 4, "figures": ["gain"], **QUICK, "cache": kept, **asked})
    assert wanted in str(caught.value) and "\n" not in str(caught.value)


def test_a_limit_that_no_build_meets_is_told(kept):
    found = spread(TEACHING, builds=4, figures=["gain"], limits=["gain=100.."], cache=kept, **QUICK)
    assert found.yields[-1].share.met == 0 and found.yields[-1].share.high == pytest.approx(1.0 - 0.025**0.25)
    assert "No build meets the limit of gain." in found.account().lead


def test_everything_is_told_and_drawn(kept):
    found = spread(TEACHING, builds=8, figures=["gain", "noise"], curve_dbu=[-20.0, 0.0], moves=0.1, shares=["J1"],
                   limits=["gain=..30"], cache=kept, **QUICK)  # fmt: skip
    keys = [table.key for table in found.tables()]
    assert keys == ["percentiles", "confidence", "yield", "curve", "blame", "shares", "moves", "volts", "varies",
                    "builds"]  # fmt: skip
    whole = found.to_dict()
    assert whole["builds"] == 8 and len(whole["changes"]) == 8 and whole["seed"] == 1 and whole["yields"][-1]["of"] == 8
    assert whole["summaries"]["gain"]["known"] == 8 and whole["exact"]["V1"] == "no tolerance"
    assert np.shape(found.band_db((5.0, 95.0))) == (2, 2)
    assert len(found.plot(("noise", "gain")).axes) >= 4 and any(ax.get_visible() for ax in found.plot_parts().axes)
    with pytest.raises(InputError, match="plane: 'thd' was not asked for; choices: gain, noise"):
        found.plot(("gain", "thd"))


def test_too_few_builds_to_blame_a_part_are_told_once_and_on_the_picture(kept):
    found = spread(TEACHING, builds=4, figures=["gain", "noise"], cache=kept, **QUICK)
    (blame,) = (table for table in found.tables() if table.key == "blame")
    (note,) = blame.notes
    assert note.startswith("gain at rest; noise") and "4 builds cannot tell" in note
    assert any("4 builds cannot tell" in text.get_text() for text in found.plot_parts().texts)


def test_trims_of_every_build_are_set_first(kept):
    """The teaching loop's step: its FET half a volt beyond pinch-off, whatever FET it is."""
    asked = {"builds": 6, "figures": ["gate"], "only": ["J1"], "cache": kept, **QUICK}
    as_built, set_up = spread(TEACHING, **asked), spread(TEACHING, **asked, trims=True)
    assert np.ptp(as_built.found.columns["gate"]) > 0.2
    assert set_up.found.columns["gate"] == pytest.approx(-0.5, abs=0.01)
    assert set_up.trims["V2"].known == 6 and not set_up.missed
    volt = [one["J1.pinch_off_voltage"] for one in set_up.changes]
    assert [one["V2"] for one in set_up.changes] == pytest.approx(np.array(volt) - 0.5, abs=0.02)
    assert set_up.build(2).parts["V2"].values["voltage"] == set_up.changes[2]["V2"]
    assert any(table.key == "trims" for table in set_up.tables())


@pytest.mark.slow
def test_workers_behind_a_scheduler_find_the_same(kept, tmp_path):
    distributed = pytest.importorskip("distributed")
    asked = {"builds": 40, "figures": ["gate", "gain"], "quality": "draft", "trims": True}
    here = spread(TEACHING, **asked, workers=1, cache=kept)
    other = tmp_path / "other"
    other.mkdir(mode=0o700)
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as cluster:
        far = spread(TEACHING, **asked, scheduler=cluster.scheduler_address, cache=UserCache(other))
    assert same(here, far) and here.changes == far.changes


@pytest.mark.parametrize("name", [name for name in library_units() if load_unit(name).gain_cell is not None])
def test_builds_of_every_unit_are_drawn_and_measured(name, kept):
    found = spread(name, builds=2, figures=["gain", "loss"], cache=kept, **QUICK)
    assert not found.failures and found.nominal.found["loss"] < 0.1
    assert all(np.isfinite(column).all() for column in found.found.columns.values())
    assert found.spreads.columns >= 8 and np.ptp(found.found.columns["gain"]) > 0.0


def test_builds_that_read_the_same_are_a_narrow_bar_and_no_magnified_rounding(kept):
    """Around one value there is no spread to be seen: the axes stay within half of it either way."""
    found = spread(TEACHING, builds=1, figures=["gain", "release", "loss"], only=["C1"], cache=kept, **QUICK)
    plane, gain, release, loss = [ax for ax in found.plot().axes if ax.get_visible()]
    assert found.title == "1 build of Teaching loop"
    for ax, key, factor in ((gain, "gain", 1.0), (release, "release", 1e3)):
        value, (bar,) = factor * found.nominal.found[key], ax.patches
        assert bar.get_x() + 0.5 * bar.get_width() == pytest.approx(value, rel=1e-3)
        assert bar.get_width() < 0.05 * abs(value) and bar.get_height() == 1.0
        low, high = ax.get_xlim()
        assert abs(value) * 0.1 < 0.5 * (high - low) < abs(value) * 0.5
    assert plane.get_xlim() == pytest.approx(gain.get_xlim(), rel=0.02)
    assert np.ptp(loss.get_xlim()) > 0.01  # it reads 0.00 dB, whatever follows


def test_steps_that_need_a_tone_are_taken_in_every_build_where_that_is_asked_for(tmp_path, kept):
    """The linearising resistor of a divider: whatever its tolerance gave it, E96 has the value next to the closed form;
    a build alone is the same as among others."""
    unit = made(TONED.replace('value = "2M7",', 'value = "2M7", tolerance = "20%",'), tmp_path)
    asked = {"figures": ["thd@-30"], "trims": True, "tone_steps": True, "cache": kept, **QUICK}
    found = spread(unit, builds=5, **asked)
    assert found.nominal.trims == {"R7": 2.26e6} and not found.missed
    assert [one["R7"] for one in found.changes] == pytest.approx([2.26e6] * 5, rel=0.03)
    alone = spread(unit, builds=1, **asked)
    assert same_first(alone, found)
    with pytest.raises(InputError, match="ask for the trims"):
        spread(unit, builds=1, figures=["gain"], tone_steps=True, **QUICK)


def same_first(alone, found):
    return alone.found.columns["thd@-30"][0] == found.found.columns["thd@-30"][0] and alone.changes == found.changes[:1]
