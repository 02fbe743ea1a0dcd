"""Compiles the solvers of the shipped units once, before any test: tests then see a machine in everyday use."""

import os

import numpy as np

from fetsim.engine.simulation import Simulation
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit


def pytest_configure(config):
    os.environ.pop("COLUMNS", None)  # tables as in a file; a test of their width sets its own
    if not hasattr(config, "workerinput"):  # in the process that starts the workers, not in each of them
        for name in ("dunlin", "teaching"):
            Simulation.of(build_circuit(load_unit(name)), 48e3, []).advance(np.zeros(2))
