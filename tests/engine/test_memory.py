"""Parts with memory in a circuit, the choke on a core that remembers: marched by every method, in lanes, in pieces,
kept, copied and gone on from. The oracle is its current by play operators from the flux that was marched."""

import numpy as np
import pytest

from fetsim.devices.inductor_core import INDUCTOR_CORE
from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.linear import linearise
from fetsim.engine.methods import METHODS
from fetsim.engine.plain import march_plain
from fetsim.engine.simulation import Simulation
from fetsim.engine.state import State
from fetsim.engine.together import march_together
from fetsim.errors import InputError
from tests.devices.test_core import VALUES, by_play
from tests.engine.small import DIODE, capacitor, diode_clipper, source

RATE_HZ = 96000.0
RECORDED = ("L.flux", "L.current", "in")


def choke(ohm=200.0, **changed) -> Circuit:
    values = {**INDUCTOR_CORE.typical, **VALUES, "eddy_ohm": np.inf, **changed}
    return Circuit((source("V", "in", ohm), element("inductor_core", "L", ["in", "0"], **values)))


def clipped_choke(**changed) -> Circuit:
    diodes = (element("diode", f"D{n}", ends, **DIODE) for n, ends in enumerate((["in", "0"], ["0", "in"])))
    return Circuit((*choke(1e3, **changed).elements, *diodes, capacitor("C", "in", "0", 1e-8)))


def wandering(steps=3000, level=2.0, seed=4):
    """Minor loops on a slow swing."""
    time = np.arange(1, steps + 1) / RATE_HZ
    rng = np.random.default_rng(seed)
    f1, f2 = rng.uniform(50.0, 80.0), rng.uniform(300.0, 500.0)
    return level * (np.sin(2 * np.pi * f1 * time) + 0.8 * np.sin(2 * np.pi * f2 * time))


@pytest.mark.parametrize("method", ["bdf4", "bdf2", "sdirk2", "sdirk4"])
def test_the_current_is_that_of_the_stops_over_the_flux(method):
    """Every method, to the last figures: the memory moves with accepted steps and with nothing else. What one step of
    Newton leaves is the only difference."""
    sim = Simulation.of(choke(), RATE_HZ, RECORDED, method=method, tolerance_v=1e-9)
    flux, current, _ = sim.advance(wandering()).T
    assert np.abs(flux).max() > 1e-3  # twice the reach
    assert current == pytest.approx(by_play(flux), abs=1e-10 * np.abs(current).max())


def test_the_generated_and_the_plain_solver_agree():
    drive, system = wandering(400), assemble(choke())
    slow = march_plain(system, METHODS["bdf4"], RATE_HZ, drive[:, None, None], np.zeros(system.size), tolerance_v=1e-12)
    for compiled in (False, True):
        sim = Simulation.of(choke(), RATE_HZ, RECORDED, tolerance_v=1e-12, compiled=compiled)
        found = sim.advance(drive)
        wanted = slow[:, [system.index[name] for name in RECORDED]]
        assert np.abs(found - wanted).max() < 1e-11
    assert not np.array_equal(sim.state.memory, np.zeros_like(sim.state.memory))


def test_a_memory_is_part_of_the_state(tmp_path):
    """Saved, loaded and gone on from to the last bit; a branch has its own; and nothing goes on right without it."""
    drive = wandering()
    whole = Simulation.of(choke(), RATE_HZ, RECORDED)
    straight = whole.advance(drive)
    first = Simulation.of(choke(), RATE_HZ, RECORDED)
    first.advance(drive[:1400])
    first.state.save(tmp_path / "state.npz")
    kept = State.load(tmp_path / "state.npz")
    assert kept == first.state
    other = first.branch()
    other.advance(-drive[1400:])
    assert first.state == kept
    assert np.array_equal(first.advance(drive[1400:]), straight[1400:])
    second = Simulation.of(choke(), RATE_HZ, RECORDED)
    second.state = kept
    assert np.array_equal(second.advance(drive[1400:]), straight[1400:])
    forgotten = kept.copy()
    forgotten.memory[:] = 0.0
    assert forgotten != kept
    second.state = forgotten
    assert np.abs(second.advance(drive[1400:]) - straight[1400:]).max() > 1e-5
    with pytest.raises(InputError, match="12 numbers remembered and 1 inputs, this one has 1, 2, 0 and 1"):
        Simulation.of(diode_clipper(), RATE_HZ, ["out"], compiled=False).state = kept


def in_pieces(monkeypatch):
    """Hardly any iterations: most steps find no solution and are subdivided."""
    monkeypatch.setattr("fetsim.engine.prepared.MAX_ITERATIONS", 2)


def test_a_step_in_pieces_is_remembered_piece_by_piece(monkeypatch):
    """Against the same drive at sixteen times the rate: by the pieces, the memory follows the way within the step."""
    jumps = np.where(np.arange(400) // 40 % 2, 3.0, -3.0)
    with monkeypatch.context() as patch:
        in_pieces(patch)
        sim = Simulation.of(clipped_choke(), RATE_HZ, RECORDED, tolerance_v=1e-6)
        sim.advance(jumps)
        assert sim.effort.subdivided_steps >= 10
    ramps = np.concatenate([np.linspace(a, b, 17)[1:] for a, b in zip([0.0, *jumps], jumps, strict=False)])
    fine = Simulation.of(clipped_choke(), 16 * RATE_HZ, RECORDED, tolerance_v=1e-6)
    fine.advance(ramps)
    assert sim.state.memory == pytest.approx(fine.state.memory, abs=1e-7 / VALUES["reach_vs"])


@pytest.mark.parametrize("method", ["bdf4", "sdirk2"])
def test_each_lane_has_its_own_memory(method):
    """Other cores and other drives in every lane, more of them than lanes: as each alone."""
    circuits = [choke(reach_vs=reach) for reach in (0.1e-3, 0.3e-3, 0.5e-3, 1e-3, 2e-3)]
    drives = [wandering(600, level, seed) for seed, level in enumerate((0.1, 0.5, 2.0, 6.0, 1.0))]
    alone, together = ([Simulation.of(c, RATE_HZ, RECORDED, method=method) for c in circuits] for _ in range(2))
    for one, other, drive, found in zip(alone, together, drives, march_together(together, drives), strict=True):
        assert found.failure is None
        assert np.abs(one.march(drive).record - found.record).max() < 1e-9
        assert other.state.memory == pytest.approx(one.state.memory, abs=1e-9)


def test_a_lane_mended_or_given_up_keeps_the_right_memory(monkeypatch):
    """One lane is subdivided at every jump, one is quiet, one is given up in the middle: its memory is that of its
    last good step, and from there it goes on as if it had been alone."""
    in_pieces(monkeypatch)
    jumps = np.where(np.arange(300) // 50 % 2, 3.0, -3.0)
    quiet, spoilt = 1e-3 * wandering(300), 0.02 * wandering(300)
    spoilt[120:] = np.nan
    runs = [[Simulation.of(clipped_choke(), RATE_HZ, RECORDED) for _ in range(2)] for _ in range(3)]
    drives = [jumps, quiet, spoilt]
    found = march_together([together for _, together in runs], drives)
    for (alone, together), drive, marched in zip(runs, drives, found, strict=True):
        assert len(alone.march(drive).record) == len(marched.record)
        for part in ("x", "ports", "memory"):  # a single circuit adds its stops up in another order
            assert getattr(together.state, part) == pytest.approx(getattr(alone.state, part), abs=1e-9), part
        assert together.state.steps == alone.state.steps
    assert [len(marched.record) for marched in found] == [300, 300, 120]
    assert runs[0][0].effort.subdivided_steps > 0


def test_rest_is_on_the_virgin_curve():
    """A direct current through a core that was demagnetised before; the march that starts there stays there."""
    circuit = Circuit((source("V", "in", 200.0, emf_v=0.05), *choke().elements[1:]))
    system = assemble(circuit)
    bias = find_bias(system)
    levels = dict(zip(system.unknowns, bias, strict=True))
    ampere = 0.05 / (200.0 + INDUCTOR_CORE.typical["resistance_ohm"])
    assert levels["L.current"] == pytest.approx(ampere, rel=1e-9)
    assert by_play([levels["L.flux"]])[0] == pytest.approx(ampere, rel=1e-9)
    assert find_bias(system, 0.5 * bias) == pytest.approx(bias, rel=1e-9)
    sim = Simulation.of(circuit, RATE_HZ, RECORDED, bias=bias)
    still = sim.advance(np.zeros(2000))
    assert still == pytest.approx(np.tile(still[0], (2000, 1)), rel=1e-9)


def test_small_signals_see_the_elastic_slope():
    """A history leaves remanence behind; a tone on it, so small that nothing slips, is answered as by the linearised
    circuit, in level and phase."""
    sim = Simulation.of(choke(), RATE_HZ, RECORDED, tolerance_v=1e-12)
    sim.advance(np.concatenate([wandering(2500), np.zeros(200_000)]))  # L/R is 10 to 35 ms
    linear = linearise(sim.system, sim.all_unknowns)
    assert abs(sim.all_unknowns[linear.index["L.flux"]]) > 0.1 * VALUES["reach_vs"]
    frequency_hz, steps = 480.0, 20_000
    angle = 2 * np.pi * frequency_hz * np.arange(1, steps + 1) / RATE_HZ
    current = sim.advance(1e-4 * np.sin(angle))[:, 1]
    last = slice(-steps // 2, None)  # 50 cycles, when what begins the tone has died away
    phasor = 2.0 * np.mean(current[last] * np.exp(-1j * angle[last])) * 1j / 1e-4
    wanted = linear.solve(frequency_hz, linear.b_input)[linear.index["L.current"]]
    assert phasor == pytest.approx(wanted, rel=1e-3)
