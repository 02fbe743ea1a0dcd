"""What is made ready once for many marches, and whether that begins with a compile."""

import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from fetsim.engine import compiler, generated
from fetsim.engine.assembly import assemble
from fetsim.engine.compiler import COMPILE_S as SOLVER_S
from fetsim.engine.compiler import COMPILE_S_A_LINE
from fetsim.engine.march import COMPILE_S
from fetsim.engine.prepared import Recorder, compile_s, prepare
from fetsim.engine.simulation import Simulation
from tests.engine.exact import exact_circuit
from tests.engine.small import diode_clipper, rc_low_pass


@pytest.mark.parametrize("missing", ["march", "generated"])
def test_a_compile_is_due_when_solver_or_march_is_missing(monkeypatch, missing):
    system = assemble(exact_circuit("teaching"))
    Simulation(prepare(system, 96e3), [], prepare(system, 96e3).state_at(np.zeros(system.size)))
    assert compile_s() == compile_s(system) == 0.0
    monkeypatch.setattr(f"fetsim.engine.{missing}.is_ready", lambda *asked, **how: False)
    solver_s = SOLVER_S + 234 * COMPILE_S_A_LINE  # the teaching unit's solver has 234 lines
    assert compile_s(system) == (COMPILE_S if missing == "march" else pytest.approx(solver_s, rel=0.1))
    assert compile_s(system, assemble(exact_circuit("teaching"))) == compile_s(system)  # one topology, one compile


def test_threads_that_start_together_load_a_solver_once(monkeypatch):
    """Held up for a while where it is read from the cache, so that all of them arrive meanwhile."""
    read = []

    def slowly(*wanted):
        read.append(wanted)
        time.sleep(0.2)
        return from_cache(*wanted)

    from_cache = compiler._from_cache
    monkeypatch.setattr(compiler, "_from_cache", slowly)
    monkeypatch.setattr(compiler, "_loaded", {})
    monkeypatch.setattr(generated, "_loaded", {})
    system = assemble(exact_circuit("teaching"))
    with ThreadPoolExecutor(4) as pool:
        solvers = list(pool.map(lambda _: prepare(system, 96e3).solver, range(4)))
    assert len(read) == 1
    assert len({id(solver.functions.stage) for solver in solvers}) == 1


def test_marches_that_share_values_do_not_disturb_each_other():
    """Two states of one prepared circuit, played in turn and played alone."""
    system = assemble(diode_clipper())
    shared = prepare(system, 48e3, compiled=False)
    rest = shared.state_at(np.zeros(system.size))
    loud, quiet = (Simulation(shared, ["out"], rest) for _ in range(2))
    drives = np.sin(np.arange(60) / 5.0), 0.1 * np.cos(np.arange(60) / 3.0)
    turns = [(loud.advance(drives[0][k : k + 20]), quiet.advance(drives[1][k : k + 20])) for k in (0, 20, 40)]
    for number, drive in enumerate(drives):
        alone = Simulation.of(diode_clipper(), 48e3, ["out"], bias=np.zeros(system.size), compiled=False)
        assert np.array_equal(alone.advance(drive), np.vstack([turn[number] for turn in turns]))


def test_recorded_unknowns_come_in_the_order_asked_for():
    system = assemble(exact_circuit())
    ready = prepare(system, 96e3)
    names = [*reversed(system.unknowns)]
    sim = Simulation(ready, names, ready.state_at(np.zeros(system.size)))
    last = sim.advance(0.3 * np.sin(np.arange(50) / 4.0))[-1]
    assert last == pytest.approx(sim.all_unknowns[::-1], abs=1e-12)


def test_a_linear_circuit_has_no_ports():
    ready = prepare(assemble(rc_low_pass()), 48e3, compiled=False)
    assert ready.state_at(np.zeros(1)).ports.shape == (0,)


def test_an_unknown_that_hangs_on_the_input_alone_needs_nothing_kept():
    """A divider between a source and a supply, say; one that is kept as it is beside it is a view of the record."""
    record, u = np.array([[5.0], [6.0], [7.0]]), np.array([[0.0], [1.0], [2.0]])
    recorder = Recorder(
        columns=np.array([3]), weights=np.array([[0.0], [1.0]]), constant=np.array([2.0, 0.0]),
        per_input=np.array([[0.5], [0.0]]), inputs=("program",),
    )  # fmt: skip
    divided, kept = recorder.each(record, u)
    assert divided.tolist() == [2.0, 2.5, 3.0] and np.shares_memory(kept, record)
    assert recorder.unknowns(record, u).tolist() == [[2.0, 5.0], [2.5, 6.0], [3.0, 7.0]]
    alone = Recorder(
        columns=np.empty(0, dtype=np.intp), weights=np.empty((1, 0)), constant=np.array([2.0]),
        per_input=np.array([[0.5]]), inputs=("program",),
    )  # fmt: skip
    assert alone.unknowns(np.empty((3, 0)), u)[:, 0].tolist() == [2.0, 2.5, 3.0]
