"""Names of finished work: another key for anything that could make another result."""

from dataclasses import dataclass

import numpy as np
import pytest

from fetsim.studies import cache as module
from fetsim.studies.cache import key_of

SOURCE = ("studies/cache.py",)


@dataclass(frozen=True)
class Record:
    values: object


def key(*parts):
    return key_of(*parts, source=SOURCE)


def test_equal_parts_have_equal_keys():
    assert key("a", 1.0) == key("a", 1.0)
    assert key(np.arange(5000.0)) == key(np.arange(5000.0))


def test_an_array_is_told_apart_by_every_element():
    one = np.zeros(5000)
    other = one.copy()
    other[2500] = 1e-300
    assert repr(one) == repr(other) and key(one) != key(other)
    assert key(Record(one)) != key(Record(other))
    assert key(one) != key(one.astype(np.float32)) and key(one) != key(one.reshape(2, -1))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (1.0, 1.0 + 2.0**-52), (0.0, -0.0), (1, 1.0), (1, True), ("1", 1), (None, "None"), ("ab", "a"),
        (("a", "bc"), ("ab", "c")), ((1, (2,)), (1, 2)), ({"a": 1}, {"b": 1}), ([1], (1,)), (Record(1), 1),
    ],
)  # fmt: skip
def test_different_parts_have_different_keys(one, other):
    assert key(one) != key(other)


def test_what_has_no_bytes_is_refused():
    for part in (object(), len, np.array([object()])):
        with pytest.raises(TypeError):
            key(part)


def test_keys_depend_on_version_source_and_libraries(monkeypatch):
    before = key("a")
    assert before != key_of("a", source=("studies/compare/takes.py",))
    with monkeypatch.context() as patch:
        patch.setattr(module, "package_version", lambda: "9.9")
        assert before != key("a")
    for name in ("numpy", "numba", "soxr", "pyloudnorm", "scipy"):
        assert any(text.startswith(f"{name} ") for text in module._libraries())
    monkeypatch.setattr(module, "_libraries", lambda: ("numpy 9",))
    assert before != key("a")
