"""Jobs over threads: order, progress, errors."""

import threading

import pytest

from fetsim.errors import InputError
from fetsim.rig.runner import run_all, run_each


def test_results_keep_the_order_of_the_jobs():
    shares = []
    found = run_all({name: name for name in "dabc"}, lambda job, told: told(0.5) or job.upper(), shares.append)
    assert list(found.items()) == [("d", "D"), ("a", "A"), ("b", "B"), ("c", "C")]
    assert shares == sorted(shares) and shares[-1] == 1.0
    assert len(shares) == 8


def test_a_job_of_its_own_error_does_not_end_the_others():
    def work(job, told):
        if job == "b":
            raise InputError("wrong")
        return job

    found, errors = run_each({name: name for name in "abc"}, work)
    assert found == {"a": "a", "c": "c"} and {name: str(error) for name, error in errors.items()} == {"b": "wrong"}
    with pytest.raises(ZeroDivisionError):
        run_each({"a": 0}, lambda job, told: 1 / job)


def test_no_jobs():
    assert run_all({}, lambda job, told: job) == {}


def test_the_first_error_stops_what_has_not_begun():
    begun, gate = [], threading.Event()

    def work(job, told):
        begun.append(job)
        if job == 0:
            gate.set()
            raise InputError("levels: wrong")
        gate.wait(5.0)
        return job

    with pytest.raises(InputError, match="levels: wrong"):
        run_all({k: k for k in range(50)}, work)
    assert len(begun) < 50
