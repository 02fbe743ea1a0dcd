"""Exact sensitivities, against closed forms and against units that are solved anew."""

import numpy as np
import pytest

from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.transfer import corners_hz
from fetsim.measurements.sensitivity.procedure import measure_sensitivity
from fetsim.rig.points import output_point
from fetsim.schematic.load import load_unit
from fetsim.schematic.movable import movable
from tests.studies.spread.units import DIVIDER, RC, corner_hz, made

DUNLIN, TEACHING = load_unit("dunlin"), load_unit("teaching")
DB = 20.0 / np.log(10.0)


def by_name(found):
    names = list(found.values)
    figures = {one.key: dict(zip(names, one.slopes, strict=True)) for one in found.figures}
    volts = {node: dict(zip(names, found.node_slopes_v[:, k], strict=True)) for k, node in enumerate(found.nodes)}
    return figures, volts


def test_a_divider_by_hand(tmp_path):
    """Gain R2 / (1 + R1 + R2): d ln/d ln R2 = 1 - R2/sum, d ln/d ln R1 = -R1/sum. Volts 10 R4 / (1 + R3 + R4)."""
    figures, volts = by_name(measure_sensitivity(made(DIVIDER, tmp_path)))
    whole, rest = 15001.0, 40001.0
    assert figures["gain"]["R2"] == pytest.approx(DB * (1.0 - 5e3 / whole), rel=1e-6)
    assert figures["gain"]["R1"] == pytest.approx(-DB * 1e4 / whole, rel=1e-6)
    assert figures["gain"]["R3"] == 0.0
    assert volts["d"]["V1"] == pytest.approx(10.0 * 1e4 / rest, rel=1e-6)
    assert volts["d"]["R4"] == pytest.approx(10.0 * 1e4 / rest * (1.0 - 1e4 / rest), rel=1e-6)
    assert volts["d"]["R3"] == pytest.approx(-10.0 * 1e4 / rest * 3e4 / rest, rel=1e-6)
    assert volts["b"]["V1"] == 0.0 and set(figures) == {"gain"}


def test_the_corner_of_an_rc_by_hand(tmp_path):
    figures, _ = by_name(measure_sensitivity(made(RC, tmp_path)))
    step = 1e-5
    for name, ends in (
        ("C1", [(9999.0, 100e-12 * (1.0 + way * step)) for way in (1, -1)]),
        ("R1", [(9999.0 * (1.0 + way * step), 100e-12) for way in (1, -1)]),
    ):
        up, down = (corner_hz(*one) for one in ends)
        assert figures["high_corner"][name] == pytest.approx((up - down) / (2.0 * step), rel=1e-5)


def solved(unit, quality="draft"):
    rig = Bench(unit, quality).rig
    low, high = corners_hz(rig.linear, output_point(unit).weights(rig.system.index), middle_hz=1e3)
    volts = {node: rig.bias[rig.system.index[node]] for node in unit.nodes}
    rest = rig.rest
    return {"gain": rig.idle_gain_db(), "low_corner": low, "high_corner": high, "loss": rest.loss_db,
            "gate": rest.above_pinch_off_v}, volts  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", ["V2", "J1.pinch_off_voltage", "R11", "C6", "Q1.current_gain", "T2.leakage", "R62",
                                  "D2.saturation_current"])  # fmt: skip
def test_the_dunlin_against_central_differences(name, dunlin):
    """Of units solved anew, 0.01 % either way: 1.4 mV of V2, of which the FET's tail bends 5e-4; bias points to 1e-9 V
    leave 5e-6 V in a slope, corners 1e-5 of themselves."""
    figures, volts = dunlin
    value, step = movable(DUNLIN)[name], 1e-4
    (up, up_v), (down, down_v) = (solved(DUNLIN.changed({name: value * (1.0 + way * step)})) for way in (1.0, -1.0))
    for key, found in figures.items():
        size = max(abs(slope) for slope in found.values())
        difference = (up[key] - down[key]) / (2.0 * step)
        assert found[name] == pytest.approx(difference, rel=1e-3, abs=3e-5 * size)
    for node, found in volts.items():
        difference = (up_v[node] - down_v[node]) / (2.0 * step)
        assert found[name] == pytest.approx(difference, rel=1e-3, abs=1e-5)


@pytest.fixture(scope="module")
def dunlin():
    return by_name(measure_sensitivity(DUNLIN, quality="draft"))


def test_scaling_all_resistors_and_capacitors_moves_no_ratio(tmp_path):
    """Of a network of resistors and capacitors: derivatives of a corner by all R add up to minus the corner, by all C
    too (frequency scaling)."""
    figures, _ = by_name(measure_sensitivity(made(RC, tmp_path)))
    corner = corner_hz(9999.0, 100e-12)
    of_r = figures["high_corner"]["R1"] / (9999.0 / 1e4)  # the source's own ohm is not moved
    assert of_r == pytest.approx(figures["high_corner"]["C1"], rel=1e-4)
    assert of_r == pytest.approx(-corner, rel=1e-3)  # but for the slope of 1 kHz


def test_what_cannot_be_moved_is_left_out():
    names = movable(TEACHING)
    assert "J1.channel_slope" in names and "J1.gate_leakage" not in names and "IN" not in names
    offsets = movable(load_unit("greenshank"))
    assert "J1.pinch_off_voltage" in offsets and "U2.offset_voltage" in offsets
    assert "J1.v_gs_off" in movable(TEACHING.changed({"J1": "J111"}))


def test_it_is_told_and_drawn():
    found = measure_sensitivity(TEACHING, quality="draft")
    largest, values, volts, everything = found.tables()
    assert largest.rows[0][2] == "A1" and largest.rows[0][3] == pytest.approx(0.0869, abs=1e-4)
    assert any(row[1] == "V2" for row in values.rows) and len(everything.rows) == len(found.values)
    assert any(row[1] == "ctl" and "V2 -50 mV" in row[3] for row in volts.rows)
    assert found.plot().axes


def test_a_unit_on_the_mains_is_refused():
    with pytest.raises(InputError, match="is fed by mains"):
        measure_sensitivity(load_unit("dunlin-mains"))


def test_a_unit_through_which_nothing_passes_has_no_gain():
    found = measure_sensitivity("jig")
    assert not found.figures and np.isfinite(found.node_slopes_v).all()
    assert [len(table.rows) > 0 for table in found.tables()] == [False, False, True, True]
    assert any("but volts at rest" in text.get_text() for text in found.plot().texts)
