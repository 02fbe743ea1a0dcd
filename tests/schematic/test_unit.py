"""A unit knows what it was loaded as, and what it says has a digest."""

import hashlib
import pickle
from dataclasses import replace

import pytest

from fetsim.schematic.load import load_unit


@pytest.fixture
def unit(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_bytes(load_unit("dunlin").path.read_bytes())
    return load_unit(path)


def test_a_unit_as_loaded_is_its_own_origin(unit):
    assert unit.origin is unit
    assert unit.changes == ()


def test_a_changed_unit_keeps_the_unit_as_loaded_even_when_the_file_is_gone(unit):
    unit.path.unlink()
    changed = unit.changed(C16="220n").changed(attack=0.8)
    assert changed.origin is unit
    assert changed.changes == (("attack", "0.63531", "0.8"), ("C16", "150 nF", "220 nF"))
    assert pickle.loads(pickle.dumps(changed)).changes == changed.changes
    back = changed.changed(C16="150n", attack=0.63531)
    assert back == unit and back.changes == ()


def test_the_text_has_the_digest_of_the_file(unit):
    assert unit.text_digest == hashlib.sha256(unit.path.read_bytes()).hexdigest()
    assert unit.changed(C16="220n").text_digest == unit.text_digest


def test_units_that_say_the_same_have_one_digest(unit):
    assert unit.digest == load_unit("dunlin").digest == unit.changed(C16="0.15u").digest
    assert pickle.loads(pickle.dumps(unit)).digest == unit.digest


@pytest.mark.parametrize(
    "change",
    [{"C16": 150.00000000000003e-9}, {"J1.i_dss": "15.1mA"}, {"curve": "none"}, {"temperature_c": 30}, {"D1": "1N34A"}],
)
def test_whatever_is_changed_changes_the_digest(unit, change):
    assert unit.changed(change).digest != unit.digest


def test_a_name_put_over_the_unit_is_in_its_digest(unit):
    assert replace(unit, name="other").digest != unit.digest
