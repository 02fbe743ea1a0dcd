"""Figures of many builds, against the measurements that they are short for."""

import numpy as np
import pytest

from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.curve.procedure import measure_curve
from fetsim.measurements.idle.procedure import idle_point
from fetsim.measurements.timing.procedure import measure_timing
from fetsim.schematic.load import load_unit
from fetsim.studies.builds import knee
from fetsim.studies.builds.knee import LevelMeter
from fetsim.studies.builds.study import figures_of_builds

TEACHING, DUNLIN = load_unit("teaching"), load_unit("dunlin")
COLUMNS = ("threshold", "threshold_2db", "attack", "release", "loss", "gain")
LEVEL_DB = 0.004
"""What a state that has not quite settled (0.003 dB) and the last move of the level (0.002 dB at most) leave."""
TIME = 2e-3  # re the time: a level before or after the step that is 0.003 dB off


def teaching_builds(count):
    rng = np.random.default_rng(5)
    return {
        str(number): TEACHING.changed({
            "R1": 4.7e3 * rng.uniform(0.9, 1.1), "C2": 680e-9 * rng.uniform(0.8, 1.2),
            "A1.gain": 25.0 * rng.uniform(0.8, 1.3), "J1.pinch_off_voltage": -4.5 * rng.uniform(0.95, 1.05),
        })
        for number in range(count)
    }  # fmt: skip


@pytest.fixture(scope="module")
def found():
    return figures_of_builds(teaching_builds(5), quality="draft", workers=1)


def same(one, other, rows=slice(None), other_rows=slice(None)):
    return all(
        np.array_equal(a[rows], b[other_rows], equal_nan=True)
        for a, b in ((one.node_v, other.node_v), *((one.columns[name], other.columns[name]) for name in COLUMNS))
    )


def test_every_build_has_all_figures(found):
    assert found.labels == tuple("01234") and not found.reasons
    assert all(np.isfinite(found.columns[name]).all() for name in COLUMNS) and np.isfinite(found.node_v).all()
    assert np.ptp(found.columns["threshold"]) > 1.0 and np.ptp(found.columns["release"]) > 5e-3


def test_figures_are_those_of_the_measurements(found):
    for number, unit in list(teaching_builds(5).items())[:3]:
        row = int(number)
        rest = idle_point(unit)
        assert found.node_v[row] == pytest.approx([rest.node_voltages_v[node] for node in found.nodes], abs=1e-9)
        levels = np.arange(-30.0, -9.0, 2.0)
        (measured,) = measure_curve(unit, levels_dbu=levels, compare=False, quality="draft").curves
        chord_db = 0.03 + LEVEL_DB  # the curve is read between levels 0.125 dB apart
        assert found.columns["threshold"][row] == pytest.approx(measured.curve.threshold_half_db_dbu, abs=chord_db)
        assert found.columns["threshold_2db"][row] == pytest.approx(measured.curve.threshold_2db_dbu, abs=chord_db)
        timed = measure_timing(
            unit, before_dbu=found.before_dbu, level_dbu=found.level_dbu, phases=1, quality="draft"
        ).settings[0]
        assert found.columns["attack"][row] == pytest.approx(timed.attack.spreads["t63_s"].at_zero, rel=TIME)
        assert found.columns["release"][row] == pytest.approx(timed.release.spreads["t63_s"].at_zero, rel=TIME)


@pytest.mark.slow
def test_builds_of_the_dunlin_have_the_gain_reduction_at_their_thresholds():
    ohm = DUNLIN.parts["P4"].values["value"]
    builds = {
        "a": DUNLIN.changed({"J1.pinch_off_voltage": -4.1, "C16": "270n", "Q1.current_gain": 200.0}),
        "b": DUNLIN.changed({"J1.pinch_off_voltage": -4.9, "R2": "5k1", "P4": 1.2 * ohm}),
    }
    found = figures_of_builds(builds, quality="draft", workers=1)
    for row, unit in enumerate(builds.values()):
        bench = Bench(unit, "draft")
        meter = LevelMeter(bench, 1000.0)
        for level, wanted_db in ((found.columns["threshold"][row], 0.5), (found.columns["threshold_2db"][row], 2.0)):
            assert meter(float(level), bench.run().state).reduction_db == pytest.approx(wanted_db, abs=LEVEL_DB)
        timed = measure_timing(
            unit, before_dbu=found.before_dbu, level_dbu=found.level_dbu, phases=1, quality="draft"
        ).settings[0]
        assert found.columns["attack"][row] == pytest.approx(timed.attack.spreads["t63_s"].at_zero, rel=TIME)
        assert found.columns["release"][row] == pytest.approx(timed.release.spreads["t63_s"].at_zero, rel=TIME)


def test_neither_order_nor_neighbours_nor_workers_move_a_bit(found):
    builds = teaching_builds(5)
    turned = figures_of_builds(dict(reversed(builds.items())), nominal=TEACHING, quality="draft", workers=2)
    assert turned.labels == tuple("43210")
    assert same(found, turned, other_rows=slice(None, None, -1))
    alone = figures_of_builds({"4": builds["4"]}, quality="draft", workers=1)
    assert same(found, alone, rows=slice(4, 5))


def test_another_nominal_unit_leads_to_the_same_figures(found):
    other = TEACHING.changed({"A1.gain": 27.0, "R1": "4k9"})
    led = figures_of_builds(
        teaching_builds(2), nominal=other, before_dbu=found.before_dbu, level_dbu=found.level_dbu, quality="draft",
        workers=1,
    )  # fmt: skip
    assert led.node_v == pytest.approx(found.node_v[:2], abs=1e-9)
    assert led.columns["threshold"] == pytest.approx(found.columns["threshold"][:2], abs=LEVEL_DB)
    assert led.columns["threshold_2db"] == pytest.approx(found.columns["threshold_2db"][:2], abs=LEVEL_DB)
    assert led.columns["attack"] == pytest.approx(found.columns["attack"][:2], rel=TIME)
    assert led.columns["release"] == pytest.approx(found.columns["release"][:2], rel=TIME)


def test_what_fails_is_told_by_build_and_leaves_the_others_alone(found, monkeypatch):
    monkeypatch.setattr(knee, "LOUD_DBU", -10.0)  # at +30 dBu the FET distorts by itself, without any control
    builds = teaching_builds(2)
    odd = {"deaf": TEACHING.changed({"A1.gain": 1e-3}), "other circuit": DUNLIN}
    mixed = figures_of_builds({"0": builds["0"], **odd, "1": builds["1"]}, nominal=TEACHING, quality="draft", workers=1)
    assert same(found, mixed, rows=slice(0, 2), other_rows=[0, 3])
    assert set(mixed.reasons) == {"deaf", "other circuit"}
    assert mixed.reasons["deaf"]["threshold"] == "the gain reduction does not reach 0.5 dB up to -10 dBu"
    assert "no gain reduction to time" in mixed.reasons["deaf"]["attack"]
    assert np.isfinite(mixed.node_v[1]).all() and np.isnan(mixed.columns["threshold_2db"][1])
    assert "another one" in mixed.reasons["other circuit"]["rest"]
    assert np.isnan(mixed.node_v[2]).all() and np.isnan(mixed.columns["release"][2])


def test_progress_and_what_is_refused(monkeypatch):
    monkeypatch.setattr(knee, "LOUD_DBU", -10.0)
    shares = []
    figures_of_builds(teaching_builds(5), quality="draft", workers=1, progress=shares.append)
    assert shares == [0.5, 1.0]
    with pytest.raises(InputError, match="builds: there is none"):
        figures_of_builds({})
    with pytest.raises(InputError, match="nominal: does not reach 2 dB of gain reduction up to -10 dBu"):
        deaf = TEACHING.changed({"A1.gain": 1e-3})
        figures_of_builds({"a": deaf}, nominal=deaf, before_dbu=-20.0, level_dbu=0.0, quality="draft")


@pytest.mark.slow
def test_workers_behind_a_scheduler_find_the_same(found):
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as cluster:
        far = figures_of_builds(teaching_builds(5), quality="draft", scheduler=cluster.scheduler_address)
    assert same(found, far)
