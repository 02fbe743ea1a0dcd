"""Measure the figures and write them into the table of README.md. Run: python benchmarks/figures.py [NAME ...]"""

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import builds, kernel, lanes, many, opamps, pairs, renders
from benchmarks.table import LEAST_ROUNDS, machine, write

ROWS = [*lanes.ROWS, *kernel.ROWS, *opamps.ROWS, *pairs.ROWS, *renders.ROWS, *many.ROWS, *builds.ROWS]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(row.name for row in ROWS)}")
    parser.add_argument("--slow", action="store_true", help="measure those too that take many minutes")
    parser.add_argument("--rounds", type=int, default=LEAST_ROUNDS)
    wanted = parser.parse_args()
    if unknown := set(wanted.names) - {row.name for row in ROWS}:
        parser.error(f"no figure is called {', '.join(sorted(unknown))}")
    print(machine())
    for row in ROWS:
        if row.name in wanted.names or (not wanted.names and (wanted.slow or not row.slow)):
            values = row.measure(wanted.rounds)
            if values:
                write(ROWS, {row.name: values})
                print(row.line(values))


if __name__ == "__main__":
    main()
