"""Suspects of the teaching loop, whose volts at rest can be told by Ohm's law, and the values of a unit."""

import numpy as np
import pytest

import fetsim
from fetsim.studies.observed.readings import reading_of
from fetsim.studies.suspects.set_up import set_up
from fetsim.studies.suspects.values import values_of


def observed(unit: fetsim.Unit, real: fetsim.Unit) -> fetsim.Observations:
    rest = fetsim.idle_point(real).node_voltages_v
    rows = [{"figure": f"volts@{node}", "value": f"{volt:.6g}V", "meter": "none"} for node, volt in rest.items()]
    return fetsim.Observations(unit=unit, readings=tuple(reading_of(row, unit) for row in rows))


def test_tolerances_are_a_third_of_their_limits_and_fets_go_together() -> None:
    values, scatter = values_of(fetsim.load_unit("dunlin"))
    names = [one.name for one in values]
    assert scatter[names.index("R2"), names.index("R2")] == pytest.approx((0.01 / 3.0) ** 2, rel=0.1)
    both = [names.index(one) for one in ("J1.i_dss", "J1.pinch_off_voltage")]
    correlation = scatter[both[0], both[1]] / np.sqrt(scatter[both[0], both[0]] * scatter[both[1], both[1]])
    assert correlation == pytest.approx(0.9, abs=0.01)  # as ``spreads`` draws them
    assert np.all(np.linalg.eigvalsh(scatter) > 0.0)


def test_a_trim_that_was_set_leaves_what_it_is_set_by_where_it_must_be() -> None:
    """V_P 3 % up: the bench turns the trim to where ``aligned`` finds it, and so does the conditioned scatter."""
    unit = fetsim.load_unit("dunlin")
    values, scatter = set_up(unit, *values_of(unit))
    names = [one.name for one in values]
    fet, trim = names.index("J1.pinch_off_voltage"), names.index("idle_trim")
    turned = scatter[trim, fet] / scatter[fet, fet]  # expected turn for a V_P of e times as much, I_DSS going along
    along = scatter[names.index("J1.i_dss"), fet] / scatter[fet, fet]
    present = {one.name: one.present for one in values}
    moved = {"J1.pinch_off_voltage": present["J1.pinch_off_voltage"] * np.exp(0.03),
             "J1.i_dss": present["J1.i_dss"] * np.exp(0.03 * along)}  # fmt: skip
    _, (first, *_) = fetsim.aligned(unit.changed(moved), steps=["idle_bias"])
    before = fetsim.aligned(unit, steps=["idle_bias"])[1][0].value
    assert 0.03 * turned == pytest.approx(first.value - before, rel=0.15)  # curvature over 3 %


def test_a_supply_that_is_off_is_found_by_volts_and_its_interval_holds_it() -> None:
    """V1 at -6 V instead of -7 V: the node behind it follows, and nothing else moves that one so."""
    unit = fetsim.load_unit("teaching")
    found = fetsim.suspects(observed(unit, unit.changed(V1="-6V")), faults=False, workers=1)
    first = found.groups[0].suspects[0]
    assert first.name == "V1" and not found.below and "V1" in found.verdict
    assert first.played and all(one.played for group in found.groups for one in group.suspects if len(one.parts) > 1)
    assert first.off_low is not None and first.off_high is not None
    assert first.off_low < 6.0 / 7.0 - 1.0 < first.off_high < first.off_low + 0.06  # a meter of 1 %: +-2 %


def test_what_a_trim_was_set_to_make_up_for_is_no_fault() -> None:
    """V2 sets the bias of this unit: 4.4 V instead of 5 V suits a FET within its limits. Not set, it is a fault."""
    unit = fetsim.load_unit("teaching")
    read = observed(unit, unit.changed(V2="-4.4V"))
    assert fetsim.suspects(read, faults=False, workers=1).below
    found = fetsim.suspects(read, faults=False, trims_set=False, workers=1)
    assert not found.below and found.groups[0].suspects[0].name == "V2"


def test_a_unit_as_drawn_is_called_healthy() -> None:
    unit = fetsim.load_unit("teaching")
    found = fetsim.suspects(observed(unit, unit), faults=False, workers=1)
    assert found.below and found.healthy > 0.3  # no less than it was before anything was read
    assert "Nothing is seen" in found.verdict
    assert found.to_dict()["groups"] and found.tables()


def test_nothing_to_go_by_is_refused() -> None:
    with pytest.raises(fetsim.InputError, match="neither readings nor recordings"):
        fetsim.suspects(fetsim.Observations(unit=fetsim.load_unit("teaching")))
