"""Selectors: one of several positions, always; the same circuit as that position's switches closed."""

import pytest

from fetsim import idle_point, load_unit
from fetsim.errors import UnitError
from fetsim.measurements.bench.subsets import switched
from fetsim.measurements.explain.points import loop_points
from fetsim.schematic.wiring import build_circuit
from tests.schematic.test_based import HEAD

SELECTOR = (
    HEAD
    + """taken_out = ["S1", "S2", "S3", "curve"]
[stages.curve.parts]
SW1 = { kind = "selector", positions = ["S1", "S2", "S3"], position = "S2", poles = [
    { common = "sx", contacts = ["s1a", "s2a", "s3a"] }, { common = "vn", contacts = ["s1b", "s2b", "s3b"] }] }
"""
)


@pytest.fixture(scope="module")
def selected(tmp_path_factory):
    path = tmp_path_factory.mktemp("selector") / "reed.toml"
    path.write_text(SELECTOR, encoding="utf-8")
    return load_unit(path)


@pytest.mark.parametrize("position", ["S1", "S2", "S3"])
def test_a_position_is_the_same_circuit_as_its_switch_closed(selected, position):
    bank = load_unit("dunlin").changed(curve=position)
    one = selected.changed(SW1=position)
    assert (one.banks["SW1"].state, one.state_of(one.parts["SW1"])) == (position, position)

    def resistances(unit):
        return sorted(
            (sorted(made.nodes), made.values["resistance_ohm"])
            for made in build_circuit(unit).elements if made.name.startswith("S")
        )  # fmt: skip

    assert resistances(one) == resistances(bank)
    wanted, found = (idle_point(unit).node_voltages_v for unit in (bank, one))
    assert found == pytest.approx(wanted, abs=1e-9)
    assert build_circuit(one).topology == build_circuit(selected).topology


def test_what_measures_each_switch_goes_through_the_positions(selected):
    assert list(switched(selected)) == ["S1", "S2", "S3"]
    assert list(switched(selected, "every")) == ["S1", "S2", "S3"]
    assert list(switched(selected, ["S3", "SW1=S1"])) == ["S3", "S1"]


def test_the_loop_is_followed_through_the_closed_contacts(selected):
    # the rectifier's sides are named in the Dunlin's file; without them they are found by walking
    assert loop_points(selected) == loop_points(load_unit("dunlin"))


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("none", "has no position 'none'; it always has one of S1, S2, S3"),
        ("all", "has no position 'all'"),
        ("S1+S2", "has no position 'S1+S2'"),
        (2, "has no position '2'"),
    ],
)
def test_it_has_one_of_its_positions_always(selected, value, told):
    with pytest.raises(UnitError, match="SW1: ") as error:
        selected.changed(SW1=value)
    assert told in str(error.value)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('position = "S2"', 'position = "S9"', "SW1: position: it has no 'S9'; choices: S1, S2, S3"),
        ('["s1a", "s2a", "s3a"]', '["s1a", "s2a"]', "SW1: poles: pole 1 has 2 contacts for 3 positions"),
        ('["s1a", "s2a", "s3a"]', '["s1a", "s2a", "sx"]', "SW1: poles: pole 1: 'sx' is its moving contact and a fixed"),
        ('["s1a", "s2a", "s3a"]', '["s1a", "s2a", "s 3"]', "SW1: poles: 's 3' is not a node name"),
        ('["S1", "S2", "S3"], position', '["S1", "S2", "S2"], position', "SW1: positions: one name for two of them"),
        ('["S1", "S2", "S3"], position', '["S2"], position', "SW1: positions: must be a list of two names"),
        ('contacts = ["s1a", "s2a", "s3a"]', 'contacts = "s1a"', "SW1: poles.0.contacts: must be a list of nodes"),
        ("poles = [", "poles = [3, ", "SW1: poles.0: must be a table with common, contacts"),
    ],
)
def test_mistakes_are_told_with_their_place(tmp_path, old, new, told):
    path = tmp_path / "reed.toml"
    path.write_text(SELECTOR.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(UnitError) as error:
        load_unit(path)
    assert any(line.startswith(f"reed.toml: {told}") for line in str(error.value).splitlines()), str(error.value)


def test_a_contact_may_be_left_free(tmp_path, selected):
    path = tmp_path / "reed.toml"
    text = SELECTOR.replace('["s1b", "s2b", "s3b"]', '["", "s2b", "s3b"]')
    path.write_text(text.replace('"S3", "curve"]', '"S3", "curve", "R41"]'), encoding="utf-8")
    unit = load_unit(path).changed(SW1="S1")
    assert len(build_circuit(unit).elements) == len(build_circuit(selected).elements) - 2
    units = (unit, load_unit("dunlin").changed(curve="none"))
    found, wanted = (idle_point(one).node_voltages_v["bus"] for one in units)
    assert found == pytest.approx(wanted, abs=1e-6)
