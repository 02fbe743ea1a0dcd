"""What a row of the table of figures is, how jobs are timed against each other, and the file the table stands in."""

import os
import platform
import re
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from statistics import median

README = Path(__file__).with_name("README.md")
LEAST_ROUNDS = 5
HEAD = "| name | what | wanted | worst | median | rounds | measured |"
NOT_YET = "not yet measured"


@dataclass(frozen=True, kw_only=True)
class Row:
    """One figure. ``measure`` takes a number of rounds and gives one value for each (of each, where there are several),
    taken side by side; another row is one more entry in the ``ROWS`` of a module that ``figures.py`` names."""

    name: str
    what: str
    wanted: str
    """As the table says it: ``at least 3.0`` or ``at most 1.10``, with the unit."""
    measure: Callable[[int], Sequence[float]]
    unit: str = ""
    slow: bool = False
    """Takes many minutes; measured only where it is named or all are asked for."""

    def line(self, values: Sequence[float]) -> str:
        """Of the table. The worst is the smallest where much is wanted, else the largest."""
        worst = min(values) if self.wanted.startswith("at least") else max(values)
        shown = [f"{value:.3g}{self.unit and ' '}{self.unit}" for value in (worst, median(values))]
        return self._line(*shown, str(len(values)), f"{date.today()}, load {os.getloadavg()[0]:.0f}")

    def empty_line(self) -> str:
        """Of a figure that nobody has measured."""
        return self._line("", "", "", NOT_YET)

    def _line(self, *cells: str) -> str:
        return f"| {' | '.join((self.name, self.what, self.wanted, *cells))} |"


def in_turn(jobs: Sequence[Callable[[], object]], rounds: int) -> Iterator[list[float]]:
    """Processor time of each job [s], one after the other in every round; a round before the first does not count."""
    for number in range(rounds + 1):
        times = []
        for job in jobs:
            start = time.process_time()
            job()
            times.append(time.process_time() - start)
        if number:
            yield times


def write(rows: Sequence[Row], found: dict[str, Sequence[float]]) -> None:
    """Put the lines of ``found`` into the table; the other rows keep theirs while they are of the same thing."""
    text = README.read_text("utf-8")
    before = {match[1]: match[0] for match in re.finditer(r"^\| (\S+) \|.*$", text, re.MULTILINE)}
    lines = []
    for row in rows:
        old = before.get(row.name, "")
        kept = old if old.startswith(row.empty_line().removesuffix(f" |  |  |  | {NOT_YET} |")) else row.empty_line()
        lines.append(row.line(found[row.name]) if row.name in found else kept)
    start = text.index(HEAD)
    end = text.index("|\n\n", start) + 2
    rule = "|" + "---|" * (HEAD.count("|") - 1)
    README.write_text(text[:start] + "\n".join((HEAD, rule, *lines, "")) + text[end:], "utf-8")


def machine() -> str:
    """What the figures were taken on."""
    return f"{os.cpu_count()} cores, {platform.machine()}, load {os.getloadavg()[0]:.1f}"
