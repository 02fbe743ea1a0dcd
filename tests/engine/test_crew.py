"""Marches of many threads, gathered into lanes."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from fetsim.engine.crew import Crew, march
from fetsim.engine.simulation import Simulation
from fetsim.engine.together import march_together
from tests.engine.small import diode_clipper
from tests.engine.test_lanes import RATE_HZ, clipper

TONE = 3.0 * np.sin(np.arange(4000) / 7.0)


@pytest.fixture(scope="module", autouse=True)
def _lanes_ready():
    march_together([Simulation.of(diode_clipper(), RATE_HZ, ["out"])], [TONE[:4]])


def work(crew, circuit, cuts):
    """Plays the tone in pieces; (what came out, state)."""
    with crew.at_work():
        run = Simulation.of(circuit, RATE_HZ, ["out"])
        return np.concatenate([march(run, part).record for part in np.split(TONE, cuts)]), run.state


@pytest.mark.parametrize("cores", [1, 3])
def test_threads_get_what_they_get_alone(cores):
    """Pieces of all lengths, more threads than lanes, and any number of cores."""
    crew = Crew(cores)
    circuits = [clipper(1e3 * (1 + k), 1e-8, 1e-9) for k in range(9)]
    cuts = [sorted(np.random.default_rng(k).integers(0, 4000, 3 * k)) for k in range(9)]
    with ThreadPoolExecutor(9) as pool:
        found = list(pool.map(work, [crew] * 9, circuits, cuts))
    for circuit, (record, state) in zip(circuits, found, strict=True):
        alone = Simulation.of(circuit, RATE_HZ, ["out"])
        assert np.abs(record - alone.advance(TONE)).max() < 1e-9
        assert state.steps == alone.state.steps
        (apart,) = march_together([Simulation.of(circuit, RATE_HZ, ["out"])], [TONE])
        assert np.array_equal(record, apart.record)


def test_whoever_fails_fails_alone():
    crew = Crew(2)
    spoilt = TONE.copy()
    spoilt[1000:] = np.nan

    def play(tone):
        with crew.at_work():
            return march(Simulation.of(diode_clipper(), RATE_HZ, ["out"]), tone)

    with ThreadPoolExecutor(3) as pool:
        well, ill, also = pool.map(play, [TONE, spoilt, TONE])
    assert well.failure is None and also.failure is None
    assert len(ill.record) == 1000 and "no convergence" in str(ill.failure)
    assert np.array_equal(well.record, also.record)


def test_one_who_thinks_holds_nobody_up():
    """A thread at work that brings no march only delays the others for a moment."""
    crew = Crew(1)
    with crew.at_work():
        assert work(crew, diode_clipper(), [])[1].steps == len(TONE)


def test_outside_a_crew_a_march_is_a_march():
    one, other = (Simulation.of(diode_clipper(), RATE_HZ, ["out"]) for _ in range(2))
    assert np.array_equal(march(one, TONE).record, other.march(TONE).record)
