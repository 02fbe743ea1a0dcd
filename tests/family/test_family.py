"""Every command's measurement on loops of every structure, their values drawn by hypothesis. ``benchmarks/family.py``
draws as many more as one likes."""

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.family.loops import RANGES, STRUCTURES, values_at
from tests.family.properties import PROPERTIES, loop_of

SHARES = st.floats(-1.0, 1.0).map(lambda beside_the_middle: 0.5 + 0.5 * beside_the_middle)
VALUES = st.fixed_dictionaries(dict.fromkeys(RANGES, SHARES)).map(values_at)


@pytest.mark.parametrize(
    "name", [name if k < 2 else pytest.param(name, marks=pytest.mark.slow) for k, name in enumerate(STRUCTURES)]
)
@settings(  # without shrinking, which would run a failing loop for minutes: its values are told
    max_examples=2, deadline=None, derandomize=True, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
)
@given(values=VALUES)
def test_what_holds_of_every_loop(tmp_path, name, values):
    loop = loop_of(STRUCTURES[name], values, tmp_path)
    for holds in PROPERTIES:
        holds(loop)
