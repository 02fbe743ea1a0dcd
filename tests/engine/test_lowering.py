"""Text lowered statement by statement against the same text run by Python, for numbers and for lanes."""

from math import log

import numpy as np
import pytest
from numba import njit

from fetsim.devices.law import select
from fetsim.engine import compiler, generated, lowering
from fetsim.engine.lanes import WIDTH, all_lanes, any_lane, lane_view
from fetsim.engine.lowering import lowered
from fetsim.engine.simulation import Simulation
from fetsim.engine.together import march_together
from tests.engine.exact import exact_circuit

HALF = 0.5
TEXT = """
def grow(a, b, found, step, most):
    x0 = a[0]
    n = 0
    while True:
        # until the first lane is through, or it has gone on long enough
        y, z = parts(x0, step)
        if any_lane(y > b[1]):
            y = select(y > b[1], b[1] - HALF, y)
        x0 = max(y, min(z, 3.0)) + 1.0 / b[0] - -abs(a[1]) * log(2.0)
        done = (x0 >= b[2]) | (x0 < -100.0)
        done = done & (step <= x0) & (n < 1000)
        n = n + 1
        if all_lanes(done) | (n >= most):
            break
    found[0] = x0
    found[1] = select(done, 0.0, 1.0)
    return n if all_lanes(done) else -1
"""


def parts(x, step):
    return x * step, x - step


@pytest.fixture(scope="module", params=[None, 1, 2, 3])
def ways(request):
    """The text as Python runs it, lowered for numbers and lowered for lanes; whole and in pieces of some statements."""
    with pytest.MonkeyPatch.context() as patched:
        if request.param is not None:
            patched.setattr(lowering, "WHOLE", 0)
            patched.setattr(lowering, "PIECE", request.param)
        yield made()


def made():
    names = {"select": select, "any_lane": any_lane, "all_lanes": all_lanes, "log": log, "HALF": HALF}
    space = names | {"parts": parts}
    exec(TEXT, space)
    grow = lowered(TEXT, names | {"parts": njit(parts)})

    @njit
    def alone(a, b, found, step, most):
        return grow(a, b, found, step, most)

    @njit
    def together(a, b, found, step, most):
        return grow(lane_view(a), lane_view(b), lane_view(found), step, most)

    array = np.ones((3, WIDTH))
    alone(array[:, 0].copy(), array[:, 0].copy(), array[:, 0].copy(), 1.25, 1)  # compiled now
    together(array, array, array.copy(), 1.25, 1)
    return space["grow"], alone, together


@pytest.mark.slow
@pytest.mark.parametrize("piece", [7, 40])
def test_a_solver_in_pieces_solves_the_same(tmp_path, monkeypatch, piece):
    """The teaching loop, alone and in lanes, against the whole text to rounding and the one that Python runs."""
    drive = 2.0 * np.sin(np.arange(200) / 6.0)

    def played(compiled=True):
        return Simulation.of(exact_circuit("teaching"), 96e3, ["po", "ctl"], compiled=compiled)

    wanted, plain = played().advance(drive), played(compiled=False).advance(drive)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    for module in (compiler, generated):
        monkeypatch.setattr(module, "_loaded", {})
    monkeypatch.setattr("fetsim.engine.together._of_lanes", {})
    monkeypatch.setattr(lowering, "WHOLE", 0)
    monkeypatch.setattr(lowering, "PIECE", piece)
    split = []
    monkeypatch.setattr(lowering._Lowering, "_piece", lambda self, part, own=lowering._Lowering._piece: (
        split.append(len(part)), own(self, part)))  # fmt: skip
    found = played().advance(drive)
    assert 0 < max(split) <= piece and len(split) > 4
    assert found == pytest.approx(wanted, abs=1e-11) and found == pytest.approx(plain, abs=1e-9)
    lanes = march_together([played() for _ in range(2)], [drive, drive])
    for lane in lanes:
        assert lane.record == pytest.approx(wanted, abs=1e-11)


def run(way, a, b, most):
    found = np.zeros((2, *a.shape[1:]))
    return way(a, b, found, 1.25, most), found


@pytest.mark.parametrize("most", [1, 3, 60])
def test_it_does_what_python_does(ways, most):
    plain, alone, together = ways
    rng = np.random.default_rng(5)
    for _ in range(20):
        a, b = rng.uniform(0.5, 2.0, (2, WIDTH)), np.sort(rng.uniform(1.0, 9.0, (3, WIDTH)), axis=0)
        counts = []
        for lane in range(WIDTH):
            count, wanted = run(plain, a[:, lane], b[:, lane], most)
            counted, found = run(alone, a[:, lane].copy(), b[:, lane].copy(), most)
            assert counted == count and found == pytest.approx(wanted, rel=1e-14)
            counts.append(count)
        # side by side they all go round as often as the slowest; with the same numbers in every lane as often as one
        assert run(together, a, b, most)[0] == -1 or -1 not in counts
        same = run(together, *(np.repeat(k[:, :1], WIDTH, axis=1) for k in (a, b)), most)
        assert same[0] == counts[0] and same[1] == pytest.approx(
            np.repeat(run(plain, a[:, 0], b[:, 0], most)[1][:, None], WIDTH, axis=1), rel=1e-14
        )


@pytest.mark.parametrize("line", ["for k in a:\n        pass", "x = [step]", "x = a[n]", "x = a < b < step"])
def test_what_the_language_lacks_is_refused(line):
    """And never taken for something else."""
    odd = lowered(f"def odd(a, b, step, n):\n    {line}\n    return n", {})
    with pytest.raises(Exception, match=r"no such .* here|Cannot cast"):
        njit(lambda a, b, step, n: odd(a, b, step, n))(np.zeros(3), np.zeros(3), 1.0, 2)
