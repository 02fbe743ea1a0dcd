"""The command line: one module per command, shared options in ``options.py``.

Before numpy is loaded its linear algebra is told to use one thread, unless the environment says otherwise: the cores
are taken by measurements and channels running side by side, and threads that wait for each other's share of a small
matrix cost more than they bring (500 unknowns, two cores that others use as well: 107 ms a solution, alone 4 ms).
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from fetsim.cli.main import main

__all__ = ["main"]
