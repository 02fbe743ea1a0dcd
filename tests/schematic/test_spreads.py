"""What varies in a unit, and the laws by which it is drawn, against their closed forms."""

from math import erf, exp, log, pi, sqrt

import numpy as np
import pytest

from fetsim.errors import InputError, UnitError
from fetsim.schematic.load import load_unit
from fetsim.schematic.spreads import FET_CORRELATION, LAWS, spreads_of

TEACHING, DUNLIN = load_unit("teaching"), load_unit("dunlin")
EVEN = (np.arange(20000) + 0.5) / 20000
"""Quantiles at equal distances: sums over them are integrals over the law, right to 1e-4 of it."""


def values_of(unit, name, law, u=EVEN):
    spreads = spreads_of(unit, {"all": law})
    table = np.full((len(u), spreads.columns), 0.5)
    number = next(k for k, one in enumerate(spreads.drawn) if one.spread.name == name)
    table[:, next(iter(spreads.drawn[number].columns))] = u
    return spreads.values(table)[name]


@pytest.mark.parametrize("law", LAWS)
def test_laws_are_cut_at_the_tolerance(law):
    """Resistors of 1 %: 4.7 kohm."""
    found = values_of(TEACHING, "R1", law)
    assert found.min() >= 4653.0 and found.max() <= 4747.0
    assert found[[0, -1]] == pytest.approx([4653.0, 4747.0], rel=2e-4 if law == "uniform" else 2e-3)
    assert np.mean(found) == pytest.approx(4700.0, rel=1e-6)
    assert np.all(np.diff(found) > 0.0)


def test_variances_are_those_of_the_laws():
    """Uniform: a^2/3. Normal of sigma a/3 cut at 3 sigma: sigma^2 (1 - 6 phi(3) / (2 Phi(3) - 1)), as in textbooks."""
    a, sigma = 47.0, 47.0 / 3.0
    assert np.var(values_of(TEACHING, "R1", "uniform")) == pytest.approx(a**2 / 3.0, rel=1e-3)
    density, inside = exp(-4.5) / sqrt(2.0 * pi), erf(3.0 / sqrt(2.0))
    cut = sigma**2 * (1.0 - 6.0 * density / inside)
    assert np.var(values_of(TEACHING, "R1", "normal")) == pytest.approx(cut, rel=1e-3)


def test_the_middle_of_a_hollow_law_is_selected_out():
    off = np.abs(values_of(TEACHING, "R1", "hollow") / 4700.0 - 1.0)
    assert off.min() >= 0.005 and off.max() <= 0.01
    normal = np.abs(values_of(TEACHING, "R1", "normal") / 4700.0 - 1.0)
    left = normal[normal > 0.005]  # what is over when the others have been sold
    assert np.median(off) == pytest.approx(np.median(left), rel=1e-3)


def test_lopsided_limits_keep_the_nominal_value_as_the_median():
    unit = TEACHING.changed({"C2.tolerance": "-20/+80%"})
    assert np.median(values_of(unit, "C2", "normal")) == pytest.approx(150e-9, rel=1e-3)
    assert np.mean(values_of(unit, "C2", "uniform")) == pytest.approx(1.3 * 150e-9, rel=1e-3)


def test_gains_are_drawn_by_ratio():
    found = values_of(DUNLIN, "Q1.current_gain", "uniform")
    assert found[[0, -1]] == pytest.approx([200.0, 500.0], rel=1e-3)
    assert np.median(found) == pytest.approx(sqrt(200.0 * 500.0), rel=1e-3)


def test_i_dss_and_pinch_off_go_together_within_their_limits():
    """Spearman's correlation of a Gaussian copula is 6/pi asin(r/2) (Kruskal 1958, from memory)."""
    from scipy.stats import spearmanr

    for name, sign in (("teaching", -1.0), ("greenshank", 1.0)):
        spreads = spreads_of(load_unit(name))
        found = spreads.values(np.random.default_rng(3).random((4000, spreads.columns)))
        ampere, volt = found["J1.i_dss"], sign * found["J1.pinch_off_voltage"]
        low, high = (10.5e-3, 21e-3) if sign < 0 else (4.2e-3, 8.4e-3)
        assert low <= ampere.min() < 1.05 * low and 0.95 * high < ampere.max() <= high
        assert volt.min() > 0.0
        expected = 6.0 / pi * np.arcsin(0.5 * FET_CORRELATION)
        assert spearmanr(ampere, volt).statistic == pytest.approx(expected, abs=0.02)  # 3 standard errors


def test_channel_resistance_goes_along_with_what_it_hangs_on():
    unit = TEACHING.changed({"J1": "J112", "J1.r_ds_on": 60.0})
    spreads = spreads_of(unit)
    assert len(spreads.followers) == 1
    drawn = spreads.values(np.random.default_rng(1).random((50, spreads.columns)))
    ratio = (drawn["J1.pinch_off_voltage"] / -2.2) / (drawn["J1.i_dss"] / 25e-3)
    assert drawn["J1.r_ds_on"] == pytest.approx(60.0 * ratio)
    for build in spreads.changes(np.random.default_rng(2).random((20, spreads.columns))):
        unit.changed(build)  # every one of them can be had


def test_a_sheet_without_largest_i_dss_has_that_of_its_channel():
    (ampere,) = [one for one in spreads_of(TEACHING.changed({"J1": "J112"})).spreads if one.name == "J1.i_dss"]
    assert (ampere.low, ampere.nominal) == (5e-3, 25e-3)
    assert ampere.high == pytest.approx(25e-3 * (5.0 / 2.2) ** 2)


def test_what_has_been_read_or_has_no_limits_is_exact_and_told():
    spreads = spreads_of(TEACHING.changed({"J1.i_dss": "12mA", "J1.pinch_off_voltage": -4.0}))
    assert "J1.i_dss" not in [one.name for one in spreads.spreads]
    assert "read" in spreads.exact["J1"] and "no limits" in spreads.exact["D1"]
    assert spreads.exact["V1"] == "no tolerance"


def test_an_offset_has_either_sign():
    (offset,) = [one for one in spreads_of(load_unit("greenshank")).spreads if one.name == "U1.offset_voltage"]
    assert (offset.low, offset.nominal, offset.high) == (-10e-3, 0.0, 10e-3)


def with_groups(folder, *lines):
    path = folder / "matched.toml"
    path.write_text(TEACHING.text.replace("[gain_cell]", "[matched]\n" + "\n".join(lines) + "\n[gain_cell]"))
    return load_unit(path)


def test_matched_parts_are_off_by_the_same(tmp_path):
    unit = with_groups(tmp_path, 'twins = { parts = ["R3", "R6"], within = "0.1%" }', 'same = { parts = ["C1", "C2"] }')
    unit = unit.changed({"R3.tolerance": "5%", "R6.tolerance": "5%", "C1.tolerance": "5%"})
    spreads = spreads_of(unit)
    assert spreads.groups.count("R3+R6") == 3 and spreads.groups.count("C1+C2") == 1
    found = spreads.values(np.random.default_rng(1).random((500, spreads.columns)))
    off = {name: found[name] / unit.parts[name].values["value"] - 1.0 for name in ("R3", "R6", "C1", "C2")}
    assert off["C1"] == pytest.approx(off["C2"])
    assert np.ptp(off["R3"]) > 0.05
    apart = off["R3"] - off["R6"]
    assert 1e-3 < np.max(np.abs(apart)) <= 2.0 * 1.05 * 1e-3
    assert unit.save(tmp_path / "again.toml") and load_unit(tmp_path / "again.toml").matched == unit.matched


@pytest.mark.parametrize("line, wanted", [
    ('a = { parts = ["R3", "C1"] }', "matched.a: parts: are of several kinds (capacitor, resistor)"),
    ('a = { parts = ["R3", "R66"] }', "matched.a: parts: no part named 'R66'; did you mean R6?"),
    ('a = { parts = ["R3", "R3"] }', "matched.a: parts: R3 is in matched.a already"),
    ('a = { parts = ["R3"] }', "matched.a: parts: must be a list of two parts at the least"),
    ('a = { parts = ["R3", "R6"], within = 7 }', "matched.a: within: 700 % is outside 0 % to 50 %"),
])  # fmt: skip
def test_mistakes_in_groups_are_told(tmp_path, line, wanted):
    with pytest.raises(UnitError) as caught:
        with_groups(tmp_path, line)
    assert wanted in str(caught.value) and "\n" not in str(caught.value)


def test_laws_by_kind_of_part():
    laws = {one.name: one.law for one in spreads_of(TEACHING, {"capacitor": "uniform", "all": "hollow"}).spreads}
    assert laws["C1"] == "uniform" and laws["R1"] == laws["J1.i_dss"] == "hollow"
    with pytest.raises(InputError, match="law: 'gauss' is none; choices: uniform, normal, hollow"):
        spreads_of(TEACHING, {"all": "gauss"})
    with pytest.raises(InputError, match="no kind of part 'resistr' that varies; did you mean resistor"):
        spreads_of(TEACHING, {"resistr": "normal"})


def test_a_build_is_a_list_of_changes():
    spreads = spreads_of(TEACHING)
    (build,) = spreads.changes(np.full((1, spreads.columns), 0.5))
    unit = TEACHING.changed(build)
    assert unit.parts["R1"].values["value"] == pytest.approx(4700.0)
    assert unit.parts["J1"].device.figures["i_dss"] == pytest.approx(sqrt(10.5e-3 * 21e-3))
    assert log(unit.parts["C1"].values["value"]) == pytest.approx(log(1e-6))
