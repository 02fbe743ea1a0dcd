"""Jobs side by side, their marches gathered into lanes."""

import os
import signal
import threading
import time
from functools import partial

import numpy as np
import pytest

from fetsim.engine.crew import march, side_by_side
from fetsim.engine.simulation import Simulation
from fetsim.engine.together import march_together
from tests.engine.small import diode_clipper
from tests.engine.test_lanes import RATE_HZ, clipper

TONE = 3.0 * np.sin(np.arange(4000) / 7.0)


@pytest.fixture(scope="module", autouse=True)
def _lanes_ready():
    march_together([Simulation.of(diode_clipper(), RATE_HZ, ["out"])], [TONE[:4]])


def played(number):
    """The tone in pieces of its own lengths; what came out, the state, and what jobs of this job made of it."""
    run = Simulation.of(clipper(1e3 * (1 + number), 1e-8, 1e-9), RATE_HZ, ["out"])
    cuts = sorted(np.random.default_rng(number).integers(0, 4000, 3 * number))
    record = np.concatenate([march(run, part).record for part in np.split(TONE, cuts)])
    branches = side_by_side({k: partial(march, run.branch(), TONE[: 100 * (k + 1)]) for k in range(number)})
    return record, run.state, [one.record for one in branches.values()]


@pytest.mark.parametrize("cores", [1, 2, 5])
def test_jobs_get_what_they_get_alone(cores):
    """Jobs within jobs, pieces of all lengths, and any number of cores: bit for bit as in a pack of one."""
    found = side_by_side({k: partial(played, k) for k in range(9)}, cores=cores)
    assert list(found) == list(range(9))
    for number, (record, state, branches) in found.items():
        apart = Simulation.of(clipper(1e3 * (1 + number), 1e-8, 1e-9), RATE_HZ, ["out"])
        assert np.array_equal(record, march_together([apart], [TONE])[0].record)
        assert state == apart.state
        for branch in branches:
            (wanted,) = march_together([apart.branch()], [TONE[: len(branch)]])
            assert np.array_equal(branch, wanted.record)


@pytest.mark.parametrize("jobs", [1, 2, 7])
def test_states_on_the_way(jobs):
    """Alone and in lanes: those that a march as far as there ends in."""
    runs = [Simulation.of(clipper(1e3 * (1 + k), 1e-8, 1e-9), RATE_HZ, ["out"]) for k in range(jobs)]
    others = [run.branch() for run in runs]
    stops = [range(100 * (k + 1), 4001, 300 + k) for k in range(jobs)]
    found = side_by_side({k: partial(march, run, TONE, stops[k]) for k, run in enumerate(runs)}, cores=2)
    for k, other in enumerate(others):
        start, played = 0, []
        for stop in (*stops[k], 4000):
            part = TONE[start:stop]
            played.append((other.march(part) if jobs < 3 else march_together([other], [part])[0]).record)
            assert stop not in stops[k] or found[k].states[stops[k].index(stop)] == other.state
            start = stop
        assert len(found[k].states) == len(stops[k])
        assert np.array_equal(found[k].record, np.concatenate(played))
        assert runs[k].state == other.state


@pytest.fixture
def sizes(monkeypatch):
    """How many circuits each pack that is marched has."""
    found = []

    def watched(simulations, inputs, stops):
        found.append(len(simulations))
        return march_together(simulations, inputs, stops)

    monkeypatch.setattr("fetsim.engine.crew.march_together", watched)
    return found


def test_packs_are_full(sizes):
    circuit = diode_clipper()
    runs = [Simulation.of(circuit, RATE_HZ, ["out"]) for _ in range(9)]

    def work(run):
        for part in np.split(TONE, 8):
            march(run, part)

    side_by_side({k: partial(work, run) for k, run in enumerate(runs)}, cores=1)
    assert sizes == [4] * 16 + [1] * 8


def test_the_last_marches_of_two_threads_share_a_pack(sizes):
    """One job on each of two threads, with nothing left to begin: they go on together, and come out as each alone."""
    both = threading.Barrier(2)
    runs = [Simulation.of(diode_clipper(), RATE_HZ, ["out"]) for _ in range(2)]
    tones = [np.tile(TONE, 30), 0.5 * np.tile(TONE, 40)]
    parts = {0: 7, 1: 11, 2: 0}

    def work(number):
        if not parts[number]:
            return None
        both.wait(timeout=60.0)  # who waits here holds its thread, so that the other job begins on another
        pieces = np.array_split(tones[number], parts[number])
        return np.concatenate([march(runs[number], piece).record for piece in pieces])

    found = side_by_side({number: partial(work, number) for number in parts}, cores=2)
    assert max(sizes) == 2
    for number, tone in enumerate(tones):
        wanted = march_together([Simulation.of(diode_clipper(), RATE_HZ, ["out"])], [tone])[0].record
        assert np.array_equal(found[number], wanted)


def test_two_jobs_march_alone(monkeypatch):
    monkeypatch.setattr("fetsim.engine.crew.march_together", lambda *_: pytest.fail("in lanes"))
    found = side_by_side({k: partial(march, Simulation.of(diode_clipper(), RATE_HZ, ["out"]), TONE) for k in range(2)})
    wanted = Simulation.of(diode_clipper(), RATE_HZ, ["out"]).march(TONE)
    assert all(np.array_equal(one.record, wanted.record) for one in found.values())


def test_whoever_fails_fails_alone():
    spoilt = TONE.copy()
    spoilt[1000:] = np.nan
    runs = [Simulation.of(diode_clipper(), RATE_HZ, ["out"]) for _ in range(3)]
    jobs = {k: partial(march, run, tone) for k, (run, tone) in enumerate(zip(runs, [TONE, spoilt, TONE], strict=True))}
    well, ill, also = side_by_side(jobs, cores=2).values()
    assert well.failure is None and also.failure is None
    assert len(ill.record) == 1000 and "no convergence" in str(ill.failure)
    assert np.array_equal(well.record, also.record)


@pytest.mark.parametrize("cores", [1, 2])
def test_the_first_error_ends_the_others_where_they_march(cores):
    """Also those of jobs within jobs; what they hold they let go of."""
    let_go, stopped = [], threading.Event()

    def endless(name):
        run = Simulation.of(diode_clipper(), RATE_HZ, ["out"])
        try:
            while True:
                march(run, TONE)
        finally:
            let_go.append(name)

    def within():
        side_by_side({k: partial(endless, k) for k in range(2)})

    def wrong():
        march(Simulation.of(diode_clipper(), RATE_HZ, ["out"]), TONE)
        raise ValueError("wrong")

    jobs = {"outer": partial(endless, "outer"), "within": within, "wrong": wrong}
    with pytest.raises(ValueError, match="wrong"):
        side_by_side(jobs, stop=stopped.set, cores=cores)
    assert stopped.is_set() and "outer" in let_go


def test_an_error_of_inner_jobs_is_their_job_s_to_bear():
    def wrong():
        raise ValueError("inside")

    def outer(number):
        try:
            side_by_side({0: wrong, 1: partial(played, 2)} if number else {0: partial(played, 1)})
        except ValueError as error:
            return str(error)
        return "well"

    assert list(side_by_side({k: partial(outer, k) for k in range(3)}).values()) == ["well", "inside", "inside"]


@pytest.mark.parametrize("number", [2, 5])
def test_ctrl_c_ends_all(number):
    """Alone (two jobs) and in lanes."""

    def endless():
        run = Simulation.of(diode_clipper(), RATE_HZ, ["out"])
        while True:
            march(run, TONE)

    timer = threading.Timer(0.3, os.kill, (os.getpid(), signal.SIGINT))
    timer.start()
    with pytest.raises(KeyboardInterrupt):
        side_by_side(dict.fromkeys(range(number), endless), cores=2)
    timer.join()
    assert not [one for one in threading.enumerate() if one.name.startswith("fetsim")]


def test_what_waits_is_taken_over():
    """While one thread is held up, another does what the first one's job has brought about."""
    seen = set()

    def inner(_):
        seen.add(threading.get_ident())
        time.sleep(0.02)

    def outer():
        side_by_side({k: partial(inner, k) for k in range(12)})

    side_by_side({0: outer, 1: lambda: None}, cores=2)
    assert len(seen) == 2


def test_outside_a_crew_a_march_is_a_march():
    one, other = (Simulation.of(diode_clipper(), RATE_HZ, ["out"]) for _ in range(2))
    assert np.array_equal(march(one, TONE).record, other.march(TONE).record)
