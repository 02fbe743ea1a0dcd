"""Which reading to take next: of all that could be taken, what each is expected to tell of which suspect is right.

Candidates are the readings that the columns hold (volts at rest of each node, figures that were asked for), and volts
at other positions of controls and switches. For those the leading suspects are put in as they stand, and rest is solved
there. What tolerances leave of such volts is taken to be what it is at the settings as they are, and one part in a
hundred of what the other position moves them by; so they are proposed only where they tell clearly more.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.schematic.unit import Unit
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.readings import ACCURACY_DB, ACCURACY_SHARE, LEAST_V, Reading
from fetsim.studies.suspects.apart import WORTH_BITS, expected_bits
from fetsim.studies.suspects.hypotheses import Hypothesis
from fetsim.studies.suspects.record import NextReading
from fetsim.studies.suspects.search import Search

MOST_NEXT = 5
FIGURE_SHARE = 0.03
"""How well times, frequencies and ratios are read at the bench (estimate)."""
MOVED_SHARE = 0.01
"""Of what another setting moves volts by: standard deviation by tolerances (estimate)."""
APART_TURN = 0.2
"""An end of a control that is nearer is no other setting."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Candidate:
    reading: Reading
    expected: Array
    """Under each suspect [shape=(suspects,)],"""
    sigma: Array
    """and how well that is known, the meter's error included."""

    def worth(self, chance: Sequence[float], names: Sequence[str]) -> NextReading:
        """What it tells."""
        each = zip(names, self.expected.tolist(), self.sigma.tolist(), strict=True)
        return NextReading(
            name=self.reading.name, bits=expected_bits(chance, self.expected, self.sigma), expected=tuple(each),
            unit=self.reading.symbol,
        )  # fmt: skip


def next_readings(
    search: Search, weighed: Sequence[Hypothesis], chance: Sequence[float], *, elsewhere: bool = True
) -> tuple[list[NextReading], int]:
    """Those worth taking, the best first, to tell apart hypotheses with such chances; and how many were looked at.
    ``elsewhere``: at other settings too."""
    names = [one.name for one in weighed]
    rows = _rows(search, weighed)
    taken = search.columns.taken
    here = [one.worth(chance, names) for one in rows[taken:] if one is not None]
    best = max((one.bits for one in here), default=0.0)
    there = [one.worth(chance, names) for one in (_elsewhere(search, weighed, rows) if elsewhere else ())]
    found = [one for one in here if one.bits >= WORTH_BITS] + [one for one in there if one.bits >= best + WORTH_BITS]
    return sorted(found, key=lambda one: -one.bits)[:MOST_NEXT], len(here) + len(there)


def _rows(search: Search, weighed: Sequence[Hypothesis]) -> list[_Candidate | None]:
    """All readings that the columns hold, those taken among them, as if they were taken (again); None where one cannot
    be had."""
    columns = search.columns
    base, rows = columns.base.readings, columns.readings
    usable = np.isfinite(base) & np.isfinite(rows).all(axis=1)
    rows = np.nan_to_num(rows)
    means, sigmas = [], []
    for one in weighed:
        mean, covariance = search.coefficients(one)
        means.append(base + rows @ (search.form(one).offset + mean))
        sigmas.append(np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, covariance, rows, optimize=True), 0.0)))
    found: list[_Candidate | None] = []
    for k, reading in enumerate(columns.observations.readings):
        expected = np.array([one[k] for one in means])
        sigma = np.hypot([one[k] for one in sigmas], _meter(reading, expected, float(base[k])))
        found.append(_Candidate(reading=reading, expected=expected, sigma=sigma) if usable[k] else None)
    return found


def _meter(reading: Reading, expected: Array, drawn: float) -> Array:
    """Error of whoever reads, one standard deviation."""
    if reading.figure.kind == "volts":
        return np.maximum(ACCURACY_SHARE * np.abs(expected), LEAST_V)
    if "dB" in reading.figure.unit:
        return np.full(len(expected), ACCURACY_DB)  # no share: 0 dB is read no better than 20
    return np.full(len(expected), FIGURE_SHARE * max(abs(drawn), 1e-6))


def _elsewhere(
    search: Search, weighed: Sequence[Hypothesis], rows: Sequence[_Candidate | None]
) -> Iterator[_Candidate]:
    """Volts at rest at other settings."""
    columns = search.columns
    unit = columns.observations.unit
    volts = [one for one in rows if one is not None and one.reading.figure.kind == "volts" and not one.reading.settings]
    readings = [
        replace(one.reading, value=0.0, settings=settings) for settings in other_settings(unit) for one in volts
    ]
    if not readings:
        return
    there = replace(
        columns, observations=Observations(unit=unit, readings=tuple(readings)), heard=(), tables=(), taken=0,
        readings=np.zeros((len(readings), 0)),
    )  # fmt: skip
    (there.draft,) = there.predicted([{}])
    builds = [search.build(one, search.place(one)) for one in weighed]
    expected = np.array([one.readings for one in there.predicted(builds, keep=False)])
    for k, (reading, here) in enumerate(zip(readings, volts * (len(readings) // len(volts)), strict=True)):
        if not np.isfinite(expected[:, k]).all():
            continue
        moved = MOVED_SHARE * np.abs(expected[:, k] - here.expected)
        meter = _meter(reading, expected[:, k], 0.0)
        yield _Candidate(reading=reading, expected=expected[:, k], sigma=np.hypot(np.hypot(here.sigma, moved), meter))


def other_settings(unit: Unit) -> list[dict[str, str]]:
    """The ends of each control on the panel and what else each switch bank can be set to, one change at a time."""
    found = [
        {name: f"{end:g}"}
        for name, one in unit.controls.items()
        for end in (0.0, 1.0)
        if one.role == "panel" and abs(one.position - end) >= APART_TURN
    ]
    for name, bank in unit.banks.items():
        states = bank.switches if bank.exclusive else ("none", *bank.switches)
        found += [{name: state} for state in states if state != bank.state]
    return found
