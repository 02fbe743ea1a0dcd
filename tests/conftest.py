"""Compiles the solvers of the shipped units once, before any test: tests then see a machine in everyday use. Linear
algebra has one thread, as from the command line: two for a matrix of a pair wait for each other, twenty times as long
where the cores are taken."""

import gc
import os
import signal
import subprocess
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pytest

from fetsim.engine.simulation import Simulation
from fetsim.engine.together import march_together
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit
from tests.browsers import browser  # noqa: F401 (known to every test)

COMPILING = pytest.StashKey[subprocess.Popen]()


def pytest_configure(config):
    os.environ.pop("COLUMNS", None)  # tables as in a file; a test of their width sets its own
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # as in a background job: tests of Ctrl-C would wait for ever
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if hasattr(config, "workerinput"):
        return
    if config.getoption("numprocesses", None):  # while the workers collect the tests
        command = [sys.executable, "-c", "from tests.conftest import compile_solvers; compile_solvers()"]
        config.stash[COMPILING] = subprocess.Popen(command, cwd=config.rootpath)
    else:
        compile_solvers()


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """What opens a page in a real browser is one of the longer proofs."""
    for item in items:
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.slow)


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """The search for cyclic garbage goes through the tests themselves again and again, a fifth of the time it takes to
    collect them: it is off here, and leaves out later what is there by then."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_node_collection_finished(node):
    """In the process that hands out the tests: none before all is compiled."""
    assert node.config.stash[COMPILING].wait() == 0, "the solvers of the shipped units cannot be compiled"


def compile_solvers():
    for name in ("dunlin", "teaching"):
        simulation = Simulation.of(build_circuit(load_unit(name)), 48e3, [])
        simulation.advance(np.zeros(2))
        march_together([simulation], [np.zeros(2)])
