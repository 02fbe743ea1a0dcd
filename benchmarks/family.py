"""Loops of every structure with values drawn at random, put through all measurements; tells what does not hold of them.

    python benchmarks/family.py [LOOPS OF EACH STRUCTURE] [SEED]
"""

import sys
import tempfile
import time
import traceback
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.family.loops import RANGES, STRUCTURES, values_at
from tests.family.properties import PROPERTIES, loop_of


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    draw = Random(int(sys.argv[2]) if len(sys.argv) > 2 else 0)
    with tempfile.TemporaryDirectory() as folder:
        for name, structure in STRUCTURES.items():
            failed, began = 0, time.process_time()
            for _ in range(count):
                values = values_at({key: draw.random() for key in RANGES})
                loop = loop_of(structure, values, Path(folder))
                for holds in PROPERTIES:
                    started = time.process_time()
                    try:
                        holds(loop)
                    except Exception as error:
                        failed += 1
                        where = traceback.extract_tb(error.__traceback__)[-1]
                        print(f"{name}: {holds.__name__}: {where.line or ''} {error!r:.300}\n    {values}", flush=True)
                    if time.process_time() - started > 10.0:
                        print(f"{name}: {holds.__name__} took {time.process_time() - started:.0f} s\n    {values}")
            print(f"{name}: {count} loops, {failed} failures, {time.process_time() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
