"""The state as a value: kept, written, restored, and gone on from to the last bit."""

import subprocess
import sys

import numpy as np
import pytest

from fetsim.engine.simulation import Simulation
from fetsim.engine.state import State
from fetsim.errors import ConvergenceError, InputError
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit
from tests.engine.small import diode_clipper, rc_low_pass

RATE_HZ = 144000.0
CONTINUED = """
import sys
import numpy as np
from fetsim.engine.state import State
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit

name, quality, state, drive, out = sys.argv[1:]
simulation = Rig(load_unit(name), quality).simulation(["po", "ctl"])
simulation.state = State.load(state)
np.save(out, simulation.advance(np.load(drive)))
"""


def loud(steps):
    """Into gain reduction, with a jump that no method likes."""
    n = np.arange(steps)
    return 3.0 * np.sin(2 * np.pi * 1300.0 * n / RATE_HZ) * np.where(n > 0.6 * steps, 1.0, 0.05)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["dunlin", "teaching"])
def test_goes_on_in_a_new_process_as_if_nothing_had_been(name, tmp_path):
    """a then b equals a, save, load in a new process, b: bit for bit."""
    drive = loud(4000)
    first, rest = drive[:2500], drive[2500:]
    whole = Rig(load_unit(name), "draft").simulation(["po", "ctl"]).advance(drive)
    broken_off = Rig(load_unit(name), "draft").simulation(["po", "ctl"])
    before = broken_off.advance(first)
    broken_off.state.save(tmp_path / "state.npz")
    np.save(tmp_path / "drive.npy", rest)
    paths = [str(tmp_path / file) for file in ("state.npz", "drive.npy", "out.npy")]
    subprocess.run([sys.executable, "-c", CONTINUED, name, "draft", *paths], check=True)
    assert np.array_equal(np.vstack([before, np.load(tmp_path / "out.npy")]), whole)


@pytest.mark.parametrize("method", ["bdf4", "sdirk2", "sdirk4"])
def test_every_method_goes_on_from_a_state(method):
    drive = loud(400)
    sim = Simulation.of(diode_clipper(), RATE_HZ, ["out"], method=method, compiled=False)
    sim.advance(drive[:150])
    kept = State.from_bytes(sim.state.to_bytes())
    assert kept == sim.state and kept is not sim.state
    once = sim.advance(drive[150:])
    assert sim.state != kept and sim.state.steps == 400
    sim.state = kept
    assert np.array_equal(sim.advance(drive[150:]), once)


def test_every_part_of_the_state_counts():
    """Two states are equal only if all of it is; and each part left out would be noticed by the next steps."""
    sim = Simulation.of(diode_clipper(), RATE_HZ, ["out"], method="sdirk2", compiled=False)
    sim.advance(loud(150))
    kept = sim.state
    after = sim.advance(loud(20))
    for part in ("x", "past", "inputs"):
        changed = kept.copy()
        getattr(changed, part)[...] += 0.1
        assert changed != kept
        sim.state = changed
        assert not np.array_equal(sim.advance(loud(20)), after), part
    ports = kept.copy()
    ports.ports[...] += 0.1
    assert ports != kept


def test_a_state_is_not_moved_by_the_march_that_it_came_from():
    sim = Simulation.of(rc_low_pass(), RATE_HZ, ["a"], compiled=False)
    kept = sim.state
    again = kept.copy()
    sim.advance(np.ones(10))
    assert kept == again
    kept.x[:] = 7.0
    assert sim.state.x[0] != 7.0


def test_mixed_states():
    """A linear circuit's mixture of states goes to the mixture of their futures."""
    first, second = (Simulation.of(rc_low_pass(), RATE_HZ, ["a"], compiled=False) for _ in range(2))
    first.advance(np.ones(20))
    second.advance(-np.ones(35))
    mixed = first.branch()
    mixed.state = first.state.with_vector(0.3 * first.state.vector() + 0.7 * second.state.vector())
    expected = 0.3 * first.advance(np.zeros(10)) + 0.7 * second.advance(np.zeros(10))
    assert mixed.advance(np.zeros(10)) == pytest.approx(expected, abs=1e-15)


def test_a_failure_leaves_the_last_good_step():
    """The march breaks off in the middle of a block: what was recorded is there, the state stands at the last good
    step, and from there quieter inputs go on."""
    drive = np.zeros(100)
    drive[60:] = 1e300  # nothing has a solution there
    whole = Simulation.of(diode_clipper(), RATE_HZ, ["out"], compiled=False)
    marched = whole.march(drive)
    assert len(marched.record) == 60
    assert isinstance(marched.failure, ConvergenceError)
    assert f"at {60 / RATE_HZ:.6f} s" in str(marched.failure)
    short = Simulation.of(diode_clipper(), RATE_HZ, ["out"], compiled=False)
    assert np.array_equal(short.advance(drive[:60]), marched.record)
    assert whole.state == short.state
    assert whole.effort.steps == 60
    assert np.array_equal(whole.advance(np.full(10, 0.1)), short.advance(np.full(10, 0.1)))


def test_foreign_states_are_refused(tmp_path):
    clipper = Simulation.of(diode_clipper(), RATE_HZ, ["out"], compiled=False)
    with pytest.raises(InputError, match="state: is of a circuit with 1 unknowns, 0 ports, 0 numbers"):
        clipper.state = Simulation.of(rc_low_pass(), RATE_HZ, ["a"], compiled=False).state
    with pytest.raises(InputError, match="state: is of a run at 48000 steps a second, not 144000"):
        clipper.state = Simulation.of(diode_clipper(), 48e3, ["out"], compiled=False).state
    for data in (b"", b"RIFF", clipper.state.to_bytes()[:200]):
        with pytest.raises(InputError, match="are no saved state"):
            State.from_bytes(data)
    with pytest.raises(InputError, match="no such file"):
        State.load(tmp_path / "none.npz")
    clipper.state.save(tmp_path / "state.npz")
    with pytest.raises(InputError, match="exists already"):
        clipper.state.save(tmp_path / "state.npz")
