"""Arithmetic on lanes against numpy, and circuits side by side against the same circuits alone."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numba import njit

from fetsim.devices.law import select
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.lanes import WIDTH, all_lanes, any_lane, lane_view, lanes_stack, lanes_zeros
from fetsim.engine.methods import FITTED
from fetsim.engine.simulation import Simulation
from fetsim.engine.together import can_march_together, march_together
from tests.engine.small import DIODE, capacitor, diode_clipper, source

RATE_HZ = 96000.0


@pytest.mark.parametrize("shape", [(1,), (2, 3), (611,), (3, 47)])
def test_vectors_of_four_begin_on_a_boundary(shape):
    """Of 32 bytes, so that none lies across two lines of the cache; whatever memory comes along."""
    arrays = [lanes_zeros(shape) for _ in range(20)]
    rng = np.random.default_rng(1)
    each = [rng.standard_normal(shape) for _ in range(WIDTH)]
    arrays.append(lanes_stack(each))
    for array in arrays:
        assert array.shape == (*shape, WIDTH) and array.flags.c_contiguous and array.ctypes.data % 32 == 0
    assert not np.any(arrays[0])
    for lane, one in enumerate(each):
        assert np.array_equal(arrays[-1][..., lane], one)


@njit
def _each_operation(a, b, found):
    a, b, found = lane_view(a), lane_view(b), lane_view(found)
    for k in range(a.shape[0]):
        x, y = a[k], b[k]
        found[0, k] = x + y
        found[1, k] = x - 2.0
        found[2, k] = 3 * x
        found[3, k] = 1.0 / y
        found[4, k] = -x
        found[5, k] = abs(x)
        found[6, k] = max(x, y)
        found[7, k] = min(0.25, y)
        found[8, k] = math.log(abs(x) + 1.0)
        found[9, k] = select(x < y, x, 7.0)
        found[10, k] = select((x <= 0.0) & (y > 0.0) | (x >= 1.0), 1.0, 0.0)
        found[11, k] = 1.0 if any_lane(x > y) else 0.0
        found[12, k] = 1.0 if all_lanes(x > y) else 0.0
        total = 0.0
        total += x * y
        found[13, k] = total
        found[14, k] = math.sqrt(abs(x))


def test_operators_are_those_of_numpy():
    a, b = np.random.default_rng(3).standard_normal((2, 500, WIDTH))
    a[0], b[0] = 2.0, -2.0  # all lanes agree somewhere
    a[1, 2] = np.nan
    found = np.empty((15, 500, WIDTH))
    _each_operation(a, b, found)
    with np.errstate(invalid="ignore"):
        any_more, all_more = ((a > b).any(axis=1), (a > b).all(axis=1))
        wanted = [
            a + b, a - 2.0, 3.0 * a, 1.0 / b, -a, np.abs(a), np.where(b > a, b, a), np.minimum(0.25, b),
            np.log(np.abs(a) + 1.0), np.where(a < b, a, 7.0), ((a <= 0) & (b > 0)) | (a >= 1),
            np.repeat(any_more[:, None], WIDTH, axis=1), np.repeat(all_more[:, None], WIDTH, axis=1), a * b,
            np.sqrt(np.abs(a)),
        ]  # fmt: skip
    for k, row in enumerate(wanted):
        assert found[k] == pytest.approx(np.asarray(row, dtype=float), rel=1e-15, abs=0.0, nan_ok=True), k


def clipper(ohm: float, farad: float, i_sat_a: float) -> Circuit:
    return Circuit((
        source("V", "out", ohm),
        element("diode", "D1", ["out", "0"], **{**DIODE, "i_sat_a": i_sat_a}),
        element("diode", "D2", ["0", "out"], **DIODE),
        capacitor("C", "out", "0", farad),
    ))  # fmt: skip


def pair(circuit: Circuit, method: str = "bdf4", **settings_of: object) -> tuple[Simulation, Simulation]:
    return tuple(Simulation.of(circuit, RATE_HZ, ["out"], method=method, **settings_of) for _ in range(2))


lane = st.tuples(
    st.floats(100.0, 1e5), st.floats(1e-10, 1e-6), st.floats(1e-15, 1e-6), st.floats(0.0, 30.0), st.floats(20.0, 2e4)
)


@settings(max_examples=60, deadline=None)
@given(lanes=st.lists(lane, min_size=2, max_size=2 * WIDTH + 1), method=st.sampled_from(["bdf4", "bdf2", "sdirk4"]))
def test_a_lane_is_what_it_is_alone(lanes, method):
    """Whatever the values, levels and number of its neighbours, far into clipping among them: within rounding of the
    single kernel, and the same to the last bit among other neighbours."""
    time = np.arange(1, 200) / RATE_HZ
    tones = [level * np.sin(2 * np.pi * frequency * time) for *_, level, frequency in lanes]
    alone, together = zip(*(pair(clipper(*values[:3]), method) for values in lanes), strict=True)
    others = [Simulation.of(clipper(*values[:3]), RATE_HZ, ["out"], method=method) for values in reversed(lanes)]
    found = march_together(together, tones)
    again = march_together(others, tones[::-1])[::-1]
    for one, tone, marched, other in zip(alone, tones, found, again, strict=True):
        assert marched.failure is None
        assert np.abs(marched.record - one.march(tone).record).max() < 1e-9
        assert np.array_equal(marched.record, other.record)


def test_going_on_from_lanes_is_going_on():
    """A march may change between lanes and alone from block to block."""
    time = np.arange(1, 400) / RATE_HZ
    tone = 3.0 * np.sin(2 * np.pi * 500 * time)
    straight, mixed = pair(diode_clipper())
    neighbour = Simulation.of(clipper(1e3, 1e-8, 1e-9), RATE_HZ, ["out"])
    parts = [march_together([mixed, neighbour], [tone[:150]] * 2)[0].record, mixed.advance(tone[150:250])]
    parts.append(march_together([neighbour, mixed], [tone[250:]] * 2)[1].record)
    assert np.concatenate(parts) == pytest.approx(straight.advance(tone), abs=1e-9)
    assert mixed.state.steps == straight.state.steps == len(tone)
    assert mixed.effort.steps == len(tone)


@pytest.mark.parametrize("method", ["bdf4", "sdirk2"])
def test_a_lane_that_needs_it_is_rescued_alone(monkeypatch, method):
    """With three Newton iterations a stage, jumps of 3 V into a clipper are subdivided; the quiet lanes beside it are
    untouched, and all of them are what they are alone."""
    monkeypatch.setattr("fetsim.engine.prepared.MAX_ITERATIONS", 3)
    jumps = np.where(np.arange(300) // 50 % 2, 3.0, -3.0)
    quiet = 0.01 * np.sin(np.arange(300) / 5.0)
    runs = [pair(diode_clipper(), method) for _ in range(3)]
    tones = [quiet, jumps, quiet]
    found = march_together([together for _, together in runs], tones)
    for (alone, together), tone, marched in zip(runs, tones, found, strict=True):
        assert np.abs(marched.record - alone.march(tone).record).max() < 1e-9
        assert together.state == alone.state
    assert runs[1][0].effort.subdivided_steps > 0
    assert runs[0][0].effort.subdivided_steps == 0


def test_a_lane_without_solution_stops_alone():
    """Input that is no number has no solution: that lane stops at its last good step, with its own located message,
    and its neighbours never know, even when they need a rescue themselves later on."""
    tone = 3.0 * np.sin(np.arange(300) / 7.0)
    spoilt = tone.copy()
    spoilt[120:] = np.nan
    runs = [pair(clipper(ohm, 1e-8, 1e-9)) for ohm in (1e3, 2e3, 3e3)]
    tones = [tone, spoilt, tone]
    found = march_together([together for _, together in runs], tones)
    for (alone, together), marched, given_tone in zip(runs, found, tones, strict=True):
        wanted = alone.march(given_tone)
        assert len(marched.record) == len(wanted.record)
        assert np.abs(marched.record - wanted.record).max() < 1e-9
        assert str(marched.failure) == str(wanted.failure)
        assert together.state == alone.state
    assert found[0].failure is None and len(found[1].record) == 120
    assert "no convergence at 0.001250 s" in str(found[1].failure)


def test_every_lane_may_stop():
    spoilt = [np.where(np.arange(50) < good, 1.0, np.nan) for good in (10, 20, 30, 40)]
    runs = [Simulation.of(diode_clipper(), RATE_HZ, ["out"]) for _ in spoilt]
    found = march_together(runs, spoilt)
    assert [len(marched.record) for marched in found] == [10, 20, 30, 40]
    assert all(marched.failure is not None for marched in found)
    assert [run.state.steps for run in runs] == [10, 20, 30, 40]


def test_what_fits_together():
    clip, same = pair(diode_clipper())
    assert can_march_together(clip, same)
    fitted, again = (Simulation.of(diode_clipper(), RATE_HZ, ["out"], method=FITTED) for _ in range(2))
    assert can_march_together(fitted, again)  # its coefficients are made for each rate anew
    assert not can_march_together(clip, Simulation.of(diode_clipper(), 2 * RATE_HZ, ["out"]))
    assert not can_march_together(clip, Simulation.of(diode_clipper(), RATE_HZ, ["out"], method="bdf2"))
    assert not can_march_together(clip, Simulation.of(diode_clipper(), RATE_HZ, ["out"], tolerance_v=1e-4))
    linear = Circuit((source("V", "out", 1e3), capacitor("C", "out", "0", 1e-8)))
    assert not can_march_together(clip, Simulation.of(linear, RATE_HZ, ["out"]))


def test_a_compile_is_told_only_where_there_is_one(monkeypatch, caplog):
    """Another process finds the solver of several lanes on disk, and says nothing."""
    simulation = Simulation.of(diode_clipper(), RATE_HZ, ["out"])
    march_together([simulation], [np.zeros(1)])
    monkeypatch.setattr("fetsim.engine.together._of_lanes", {})
    caplog.set_level("INFO", logger="fetsim")
    march_together([simulation], [np.zeros(1)])
    assert not caplog.records


def test_linear_circuits_fit_too():
    """No device at all: nothing to iterate over."""
    runs = [pair(Circuit((source("V", "out", ohm), capacitor("C", "out", "0", 1e-8)))) for ohm in (1e3, 2e3, 5e3)]
    tone = np.sin(np.arange(100) / 9.0)
    for (alone, _), marched in zip(runs, march_together([b for _, b in runs], [tone] * 3), strict=True):
        assert marched.record == pytest.approx(alone.advance(tone), abs=1e-12)
