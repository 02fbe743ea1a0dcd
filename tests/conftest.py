"""Compiles the solvers of the shipped units once, before any test: tests then see a machine in everyday use. Linear
algebra has one thread, as from the command line: two for a matrix of a pair wait for each other, twenty times as long
where the cores are taken."""

import os
import signal

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from fetsim.engine.simulation import Simulation
from fetsim.engine.together import march_together
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit


def pytest_configure(config):
    os.environ.pop("COLUMNS", None)  # tables as in a file; a test of their width sets its own
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # as in a background job: tests of Ctrl-C would wait for ever
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if not hasattr(config, "workerinput"):  # in the process that starts the workers, not in each of them
        for name in ("dunlin", "teaching"):
            simulation = Simulation.of(build_circuit(load_unit(name)), 48e3, [])
            simulation.advance(np.zeros(2))
            march_together([simulation], [np.zeros(2)])
