"""The state that repeats itself by another circuit's monodromy: against the closed form of RC sections, and against
mere playing where the other circuit is of little help."""

import numpy as np
import pytest

from fetsim.engine.circuit import Circuit
from fetsim.engine.shooting import Mixing, monodromy_of, repeating_state_near
from fetsim.engine.simulation import Simulation
from tests.engine.small import capacitor, diode_clipper, rc_low_pass, resistor, source

RATE_HZ, STEPS = 48000.0, 480  # a block of 10 ms, ten cycles
TONE_V = np.sin(2.0 * np.pi * 1000.0 * np.arange(1, STEPS + 1) / RATE_HZ)


def slow(ohm=1e5, farad=10e-6):
    """A stage of 1 ms and behind it one of a second."""
    first = (source("V", "a", 1e3), capacitor("C1", "a", "0", 1e-6))
    return Circuit((*first, resistor("R2", "a", "b", ohm), capacitor("C2", "b", "0", farad)))


def simulation(circuit):
    return Simulation.of(circuit, RATE_HZ, [])


def played(run, blocks):
    run.advance(np.tile(TONE_V, blocks))
    return run.state


def monodromy(circuit, blocks=1):
    run = simulation(circuit)
    state = played(run, blocks)
    return monodromy_of(run, TONE_V, state, np.ones(len(state.x), dtype=bool))


def found_near(circuit, lent, start=None, settled_v=1e-7):
    run = simulation(circuit)
    rounds = []

    def play(state):
        rounds.append(state)
        run.state = state
        return played(run, 1), played(run, 1)

    state = run.state if start is None else start
    awaited = np.ones(len(state.x), dtype=bool)
    found = repeating_state_near(play, state, awaited, lent, block=STEPS, settled_v=settled_v)
    return found, len(rounds)


def test_the_monodromy_of_an_rc_section_is_its_decay():
    """exp(-T / RC) for the voltage; BDF4 at 48 steps a time constant leaves 1e-6."""
    lent = monodromy(rc_low_pass())
    decay = np.exp(-STEPS / RATE_HZ / 1e-3)
    assert lent.at_end[0, 0] == pytest.approx(decay, abs=1e-6)
    assert lent.to_go[0, 0] == pytest.approx(1.0 / (1.0 - decay), abs=1e-6)
    assert lent.slowest == pytest.approx(1.0 / (1.0 - decay), abs=1e-6)


def test_a_linear_circuit_is_found_by_its_own_monodromy_at_once():
    """The tone's phasor, of which a second's time constant has forgotten nothing after six blocks."""
    found, rounds = found_near(slow(), monodromy(slow()))
    assert rounds <= 3
    run = simulation(slow())
    run.state = found.state
    (end, *_) = (run.all_unknowns[run.system.index[node]] for node in ("b",))
    w = 2j * np.pi * 1000.0
    behind = 1.0 / (1.0 + w * 1.0)
    first = 1.0 / (1e3 * (w * 1e-6 + 1e-3 + behind * w * 10e-6))
    assert end == pytest.approx(float(np.imag(first * behind)), abs=1e-7)  # at phase zero of the tone


def test_another_circuit_lends_its_own():
    """Values a third and a half off; then one whose slow stage is ten times faster, which says little of it."""
    lent = monodromy(slow())
    for circuit, most in ((slow(1.3e5, 15e-6), 6), (slow(1e4, 10e-6), 10)):
        found, rounds = found_near(circuit, lent)
        own, _ = found_near(circuit, monodromy(circuit))
        assert rounds <= most
        assert np.abs(found.state.x - own.state.x).max() < 1e-6


def test_where_nothing_stands_still_nothing_is_found():
    lent = monodromy(rc_low_pass())
    assert found_near(rc_low_pass(), lent, settled_v=0.0)[0] is None
    circuit = diode_clipper()
    assert found_near(circuit, monodromy(circuit))[0] is not None


def test_mixing_solves_what_is_linear_in_as_many_rounds_as_it_has_directions():
    """Anderson's mixing is GMRES for a linear map (Walker and Ni, theorem 2.2)."""
    a = np.array([[0.9, 0.2, 0.0], [-0.1, 0.8, 0.1], [0.0, 0.3, -0.5]])
    b = np.array([1.0, -2.0, 0.5])
    x, mixing = np.zeros(3), Mixing()
    for _ in range(4):
        x = mixing(a @ x + b, a @ x + b - x)
    assert x == pytest.approx(np.linalg.solve(np.eye(3) - a, b), abs=1e-9)
