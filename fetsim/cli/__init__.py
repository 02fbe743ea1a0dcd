"""The command line: one module per command, shared options in ``options.py``."""

from fetsim.cli.main import main

__all__ = ["main"]
