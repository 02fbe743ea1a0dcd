"""``python -m fetsim``."""

from fetsim.cli import main

main()
