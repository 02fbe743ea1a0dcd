"""Operational amplifiers where they are hardest to solve, and by every way of solving."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.methods import METHODS
from fetsim.engine.numeric import step_share
from fetsim.engine.plain import march_plain
from fetsim.engine.simulation import Simulation
from fetsim.engine.together import march_together
from fetsim.rig.quality import QUALITIES
from tests.engine.opamp_circuits import buffer, comparator, inverter, rectifier
from tests.reference import opamps

RATE_HZ = 240e3
STEPS = 2000
MAKERS = {"inverter": inverter, "buffer": buffer, "rectifier": rectifier, "comparator": comparator}


def simulation(circuit, **kind_of):
    return Simulation.of(circuit, RATE_HZ, ["out"], method="bdf4", **kind_of)


def noise(seed):
    return 5.0 * np.random.default_rng(seed).standard_normal(STEPS)


def jumps(seed):
    return 10.0 * np.sign(np.random.default_rng(seed).standard_normal(STEPS))


def test_a_step_through_a_bend_ends_at_zero():
    assert step_share(3.0, 1.0, 1.0) == step_share(-3.0, 0.5, 1.0) == 1.0  # no change of sign, or from the middle
    share = step_share(-3.0, 1.0, 1.0)
    assert 1.0 + share * (-3.0 - 1.0) == pytest.approx(0.0, abs=1e-15)


@settings(max_examples=40, deadline=None)
@given(
    name=st.sampled_from(["inverter", "buffer", "rectifier"]),
    bandwidth_hz=st.floats(3e5, 3e7),
    range_v=st.floats(0.05, 3.0),
    limit_a=st.floats(5e-3, 0.1),
    half_drop_v=st.floats(0.2, 5.0),
    gain=st.floats(1e3, 1e7),
    load_f=st.floats(1e-12, 1e-8),
    seed=st.integers(0, 1000),
    drive=st.sampled_from([noise, jumps]),
)
def test_whatever_the_amplifier_and_however_it_is_driven(name, seed, drive, bandwidth_hz, range_v, **values):
    """White noise of 5 V and jumps of +-10 V at every step: no step fails, none has to be subdivided."""
    slew_v_s = 2.0 * np.pi * bandwidth_hz * range_v
    run = simulation(MAKERS[name](bandwidth_hz=bandwidth_hz, slew_v_s=slew_v_s, **values))
    found = run.advance(drive(seed))
    assert run.effort.subdivided_steps == 0
    assert run.effort.most_iterations < 60
    assert np.abs(found).max() < 22.0  # rails of 15 V; a multistep method overshoots where each step is a new jump


@settings(max_examples=10, deadline=None)
@given(ratio=st.floats(1.0, 20.0), seed=st.integers(0, 1000), drive=st.sampled_from([noise, jumps]))
def test_positive_feedback_has_edges_that_no_step_meets(ratio, seed, drive):
    """Where a comparator turns over inside a step, the step may have to be subdivided (4.5 % of these, measured), and
    comes through."""
    run = simulation(comparator(ratio=ratio))
    found = run.advance(drive(seed))
    assert run.effort.subdivided_steps < 0.1 * STEPS
    assert np.abs(found).max() < 22.0


@pytest.mark.parametrize("name", ["inverter", "buffer", "rectifier"])
def test_the_text_run_as_python_and_the_plain_solver_agree_with_machine_code(name):
    """Clipping and slewing: 12 V at 20 kHz. (A step in which a comparator turns over has more than one solution.)"""
    drive = 12.0 * np.sin(2 * np.pi * 20e3 * np.arange(1, 61) / RATE_HZ)
    circuit = MAKERS[name](bandwidth_hz=1e6, slew_v_s=2e6)
    compiled, interpreted = (
        simulation(circuit, tolerance_v=1e-9, compiled=one).advance(drive) for one in (True, False)
    )
    assert np.abs(interpreted - compiled).max() < 1e-9
    system = assemble(circuit)
    states = march_plain(system, METHODS["bdf4"], RATE_HZ, drive[:, None, None], find_bias(system))
    assert np.abs(states[:, system.index["out"]] - compiled[:, 0]).max() < 1e-6
    assert np.abs(compiled).max() > 0.5


def test_amplifiers_in_lanes_are_what_they_are_alone():
    drives = [noise(seed) for seed in range(4)]
    circuits = [rectifier(bandwidth_hz=bandwidth_hz, ohm=ohm) for bandwidth_hz, ohm in
                ((1e6, 5e3), (3e6, 10e3), (10e6, 20e3), (3e6, 1e3))]  # fmt: skip
    alone, among, others = ([simulation(one, tolerance_v=1e-6) for one in circuits] for _ in range(3))
    found = march_together(among, drives)
    again = march_together(others[::-1], drives[::-1])[::-1]
    for one, drive, marched, other in zip(alone, drives, found, again, strict=True):
        assert marched.failure is None
        assert np.array_equal(marched.record, other.record)
        assert np.abs(marched.record - one.march(drive).record).max() < 1e-5  # ten tolerances


@pytest.mark.parametrize("name", MAKERS)
def test_rest_is_found_from_cold_and_from_nearby(name):
    """With an offset and bias currents; a neighbour's rest leads to the same one."""
    values = {"offset_v": 2e-3, "bias_plus_a": 1e-7, "bias_minus_a": 8e-8}
    system, near = (assemble(MAKERS[name](**values, gain=gain)) for gain in (2e5, 1.5e5))
    cold = find_bias(system)
    assert find_bias(system, find_bias(near)) == pytest.approx(cold, abs=1e-7)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "level_v", "converged_db", "by_quality_db"),
    [
        # measured -119, and -69, -75, -93 by quality
        ("inverter", 2.0, -110.0, {"draft": -64.0, "standard": -70.0, "fine": -88.0}),
        # measured -125, and -62, -69, -85
        ("rectifier", 5.0, -110.0, {"draft": -57.0, "standard": -64.0, "fine": -80.0}),
    ],
)
def test_against_independent_equations(name, level_v, converged_db, by_quality_db):
    """tests/reference writes the same circuits by hand and gives them to scipy. 1 MHz, 0.5 V/us, 1 kHz: the inverter
    clips, the rectifier crosses its diodes' gap inside a step, and so the error falls slowly with the rate."""
    bandwidth_hz, slew_v_s, file_rate_hz = 1e6, 0.5e6, 48e3

    def drive(t):
        return level_v * np.sin(2e3 * np.pi * t) * (0.5 - 0.5 * np.cos(np.pi * np.minimum(t / 1e-3, 1.0)))

    t = np.arange(1, 73) / file_rate_hz
    wanted = getattr(opamps, name)(bandwidth_hz, slew_v_s).simulate(drive, t[-1], t, 1e-8, 1e-9)["out"]
    circuit = MAKERS[name](bandwidth_hz=bandwidth_hz, slew_v_s=slew_v_s, input_f=2e-12)

    def error_db(factor, method, tolerance_v):
        rate_hz = factor * file_rate_hz
        run = Simulation.of(circuit, rate_hz, ["out"], method=method, tolerance_v=tolerance_v)
        found = run.advance(drive(np.arange(1, len(t) * factor + 1) / rate_hz))[factor - 1 :: factor, 0]
        return 20 * np.log10(np.sqrt(np.mean((found - wanted) ** 2) / np.mean(wanted**2)))

    assert error_db(24, "bdf4", 1e-6) < converged_db
    for label, promised_db in by_quality_db.items():
        quality = QUALITIES[label]
        assert error_db(quality.factor(file_rate_hz), quality.method, quality.tolerance_v) < promised_db
