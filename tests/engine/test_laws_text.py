"""The generated solver holds the source of all that it compiles, so that its name changes when a law changes."""

import importlib.util
import sys

import pytest
from numba import njit

from fetsim.engine.laws_text import FREE, laws_text

LAW = '''
from math import log
import numpy as np

SCALE = {scale}
TABLE = np.array([{scale}, 5.0])


def helper(v):
    return SCALE * v + {offset}


def law(v):
    return helper(v) + log(2.0) + np.sqrt(v) + TABLE[1]
'''


def law_of(folder, **figures):
    path = folder / f"law_{len(list(folder.iterdir()))}.py"  # one name twice in a second: stale bytecode
    path.write_text(LAW.format(**figures))
    sys.modules.pop("some_law", None)
    spec = importlib.util.spec_from_file_location("some_law", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.law


@pytest.fixture
def clear_lines():
    import linecache

    linecache.clearcache()
    yield linecache.clearcache
    linecache.clearcache()


def test_helpers_constants_and_imports_of_a_law_come_along(tmp_path, clear_lines):
    law = law_of(tmp_path, scale=3.0, offset=1.0)
    space = {"njit": njit, "options": {}}
    exec(laws_text([law]), space)
    assert space["law"](4.0) == pytest.approx(law(4.0), rel=1e-15)


@pytest.mark.parametrize("figures", [{"scale": 2.0, "offset": 1.0}, {"scale": 3.0, "offset": 2.0}])
def test_a_changed_helper_or_constant_changes_the_text(tmp_path, clear_lines, figures):
    before = laws_text([law_of(tmp_path, scale=3.0, offset=1.0)])
    clear_lines()
    assert laws_text([law_of(tmp_path, **figures)]) != before


def test_two_laws_that_mean_different_things_by_one_name_are_refused(tmp_path, clear_lines):
    (tmp_path / "other").mkdir()
    one, other = law_of(tmp_path, scale=3.0, offset=1.0), law_of(tmp_path / "other", scale=2.0, offset=1.0)
    with pytest.raises(ValueError, match="rename one"):
        laws_text([one, other])


def test_a_law_whose_sums_are_free_is_compiled_so(tmp_path, clear_lines):
    """And no other: its helpers keep their order."""
    law = law_of(tmp_path, scale=3.0, offset=1.0)
    text = laws_text([law], [law])
    assert f"{FREE}\ndef law(" in text and f"{FREE}\ndef helper(" not in text
    assert FREE not in laws_text([law])
