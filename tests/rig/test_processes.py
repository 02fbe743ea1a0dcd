"""Jobs in processes of this machine and behind a Dask scheduler; tests/studies/builds has real ones."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from threading import Timer

import pytest

from fetsim.errors import ConvergenceError, FetsimError, InputError
from fetsim.rig import processes
from fetsim.rig.processes import run_apart


def square(number):
    return number * number


def process_of(number):
    time.sleep(0.05)
    return os.getpid()


def dies_the_first_time(job):
    number, mark = job
    if number == 3 and not mark.exists():
        mark.touch()
        os._exit(9)
    time.sleep(0.05)
    return number


def dies(number):
    os._exit(9)


def fails_at_two(number):
    if number == 2:
        raise ConvergenceError("no solution", advice="try again")
    return number


def sleeps(number):
    time.sleep(0.3)
    return number


def deaf(number):
    return signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ())


def test_other_processes_never_hear_of_an_interruption():
    """A terminal sends Ctrl-C to all of them, and one that is starting would print pages."""
    assert all(run_apart(range(4), deaf, workers=2))
    assert not deaf(0)


@pytest.mark.parametrize("workers", [1, 2])
def test_results_are_in_order_and_progress_ends_at_one(workers):
    shares = []
    assert run_apart(range(7), square, shares.append, workers=workers) == [n * n for n in range(7)]
    assert shares == pytest.approx([(n + 1) / 7 for n in range(7)])


def test_work_is_done_in_so_many_processes():
    assert set(run_apart(range(3), process_of, workers=1)) == {os.getpid()}
    others = set(run_apart(range(8), process_of, workers=2))
    assert os.getpid() not in others and len(others) == 2


@pytest.mark.slow
@pytest.mark.parametrize("workers", [1, 2])
def test_the_first_error_of_a_job_is_raised_as_it_is(workers):
    with pytest.raises(ConvergenceError, match="no solution; try again"):
        run_apart(range(4), fails_at_two, workers=workers)


@pytest.mark.slow
def test_a_lost_process_loses_nothing(tmp_path):
    jobs = [(number, tmp_path / "died") for number in range(8)]
    assert run_apart(jobs, dies_the_first_time, workers=2) == list(range(8))
    assert (tmp_path / "died").exists()


@pytest.mark.slow
def test_a_job_that_no_process_survives_is_given_up():
    with pytest.raises(FetsimError, match="3 times in a row a process was lost"):
        run_apart(range(2), dies, workers=2)


def test_nobody_is_no_worker():
    with pytest.raises(InputError, match="workers: 0 can do nothing; give 1 or more"):
        run_apart(range(2), square, workers=0)


INTERRUPTED = """
from fetsim.rig.processes import run_apart
from tests.rig.test_processes import sleeps
try:
    run_apart(range(1000), sleeps, lambda share: print("going", flush=True), workers=2)
except KeyboardInterrupt:
    print("interrupted", flush=True)
"""


def test_ctrl_c_ends_it_at_once():
    child = subprocess.Popen(
        [sys.executable, "-c", INTERRUPTED], stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]
    )
    assert child.stdout is not None and child.stdout.readline() == "going\n"
    child.send_signal(signal.SIGINT)
    told, _ = child.communicate(timeout=60)  # 1000 jobs would take 150 s
    assert told.splitlines()[-1] == "interrupted" and child.returncode == 0


@pytest.fixture(scope="module")
def cluster():
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as two:
        yield two


class TestDask:
    def test_results_and_progress_are_the_same(self, cluster):
        shares = []
        found = run_apart(range(7), square, shares.append, scheduler=cluster.scheduler_address)
        assert found == [n * n for n in range(7)]
        assert shares == pytest.approx([(n + 1) / 7 for n in range(7)])

    @pytest.mark.slow
    def test_a_killed_worker_loses_nothing(self, cluster):
        killed = []

        def kill():
            victim = next(iter(cluster.workers.values())).process.pid
            os.kill(victim, signal.SIGKILL)
            killed.append(victim)

        Timer(0.4, kill).start()
        assert run_apart(range(8), sleeps, scheduler=cluster.scheduler_address) == list(range(8))
        assert killed

    def test_a_worker_that_is_lost_while_versions_are_compared_is_left_out(self):
        """Another error of its own is raised as it is."""

        class Told:
            def __init__(self, **answers):
                self.answers = answers

            def scheduler_info(self, n_workers):
                return {"workers": self.answers}

            def run(self, function, on_error):
                return {name: function() if one is None else one for name, one in self.answers.items()}

        processes._check_workers(Told(a=None, b=OSError("stream is closed")), "scheduler")
        with pytest.raises(InputError, match="lack numba"):
            processes._check_workers(Told(a=ModuleNotFoundError("", name="numba"), b=None), "scheduler")
        with pytest.raises(ZeroDivisionError):
            processes._check_workers(Told(a=None, b=ZeroDivisionError()), "scheduler")

    def test_an_error_of_a_job_is_raised_as_it_is(self, cluster):
        with pytest.raises(ConvergenceError, match="no solution"):
            run_apart(range(4), fails_at_two, scheduler=cluster.scheduler_address)

    def test_workers_of_another_version_are_refused(self, cluster, monkeypatch):
        monkeypatch.setattr(processes.fetsim, "__version__", "0.0")
        with pytest.raises(InputError, match=r"here it is 0\.0; install one and the same"):
            run_apart(range(2), square, scheduler=cluster.scheduler_address)

    def test_a_scheduler_without_workers_is_refused(self):
        distributed = pytest.importorskip("distributed")
        with distributed.LocalCluster(n_workers=0, dashboard_address=":0") as empty:
            with pytest.raises(InputError, match="has no workers; start some with: dask worker"):
                run_apart(range(2), square, scheduler=empty.scheduler_address)

    @pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense://here", "no address"])
    def test_an_address_that_does_not_answer_is_one_line(self, address, monkeypatch):
        pytest.importorskip("distributed")
        monkeypatch.setattr(processes, "ANSWER_S", 1.0)
        with pytest.raises(InputError, match=f"scheduler: '{address}' does not answer") as caught:
            run_apart(range(2), square, scheduler=address)
        assert "\n" not in str(caught.value)

    @pytest.mark.slow
    def test_without_dask_one_line_says_what_to_install(self, monkeypatch):
        monkeypatch.setitem(sys.modules, "distributed", None)
        with pytest.raises(InputError, match=r"pip install 'fetsim\[dask\]'"):
            run_apart(range(2), square, scheduler="tcp://127.0.0.1:8786")
