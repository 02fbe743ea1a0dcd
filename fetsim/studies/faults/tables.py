"""The faults of a unit as tables: symptoms, groups that readings cannot tell apart, ages."""

from collections.abc import Mapping

import numpy as np

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import OWN, Definition
from fetsim.measurements.results.formats import fixed, percent
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.schematic.ageing import DIRT_OHM, DRIED_SHARE, WARMER_K
from fetsim.studies.builds.asked import Figure
from fetsim.studies.builds.tables import definitions, figure_column
from fetsim.studies.faults.apart import LOST, TOLD_APART
from fetsim.studies.faults.record import FaultsFound, Symptoms
from fetsim.studies.faults.symptoms import NOTHING, OUT

SOUND = "as it is"
FAULT = Column(key="fault", heading="fault", meaning="as a change is written: --change of every command takes it")
WHAT = Column(key="what", heading="what it is", folds=True)
WORD = Column(key="symptom", heading="symptom", folds=True)
GROUP = Column(key="group", heading="group", meaning="faults of one group cannot be told apart by these readings; "
               "those of group 0 cannot be told from the sound unit")  # fmt: skip
MOST_SHOWN = 30
"""Rows that a terminal prints where something is reported; the file has all."""
VOLTS = fixed(3, sign=True)
METERED = "Volts that were read are those with the meter at its node, all others those with none."
SAME_FIT = 3.0
"""A miss up to which a fault explains what was read."""


def account(measured: Mapping[str, FaultsFound]) -> Account:
    """Label -> faults of one unit; there is one."""
    (found,) = measured.values()
    return Account(
        title=f"{len(found.rows)} single faults of {found.provenance.unit}, each simulated once; quality "
        f"{found.provenance.quality}.",
        lead=(_lead(found), *_best(found), *_metered(found)),
        tables=(
            *((_fits(found),) if found.reported else ()),
            *((_ages(found),) if found.aged else ()),
            _symptoms(found),
            _groups(found),
            _figures(found),
            _volts(found),
        ),
        definitions=(*DEFINITIONS, *definitions(found.figures)),
        cautions=found.cautions,
    )


def _lead(found: FaultsFound) -> str:
    silent = sum(row.word == NOTHING for row in found.rows)
    alike = sum(number == 0 for number in found.groups)
    number = len(set(found.groups) - {0})
    told = f"{len(found.told_by)} readings" if len(found.told_by) > 4 else ", ".join(found.told_by)
    return (
        f"{silent} of them show{'s' if silent == 1 else ''} nothing in these figures. Told by {told}: "
        f"{_count(number, 'group')} that can be told apart, and {_count(alike, 'fault')} that cannot be told from the "
        "sound unit."
    )


def _best(found: FaultsFound) -> tuple[str, ...]:
    """What fits what was read, in a sentence; never more than the readings hold."""
    if not found.reported or found.sound_miss is None:
        return ()
    fitting = [k for k, miss in enumerate(found.misses) if miss <= SAME_FIT]
    if found.sound_miss <= SAME_FIT:
        return ("What was read is within what tolerances do: the unit may be sound.",)
    if not fitting:
        return ("No single fault of the list explains what was read; the nearest stand first.",)
    groups = list(dict.fromkeys(found.groups[k] for k in fitting))
    names = [found.faults[k].name for k in fitting[:6]]
    more = f" and {len(fitting) - 6} more" if len(fitting) > 6 else ""
    if len(fitting) == 1:
        return (f"One fault of the list explains what was read: {names[0]}.",)
    where = _count(len(groups), "group")
    return (f"{len(fitting)} faults in {where} explain what was read: {', '.join(names)}{more}.",)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _metered(found: FaultsFound) -> tuple[str, ...]:
    """Where a meter is, and where none is."""
    return (METERED,) if any(one.meter_ohm is not None for one in found.reported) else ()


def _fits(found: FaultsFound) -> Table:
    read = [one.figure for one in found.reported]
    columns = (
        FAULT, WHAT,
        Column(key="share", heading="share", show=percent, meaning="of all single faults of the list that could "
               "explain what was read, weighed by how often they are"),
        Column(key="miss", heading="off by", show=fixed(2), meaning="rms over the readings, in accuracies and "
               "tolerances; a figure that is not there counts as 10"),
        *(figure_column(one) for one in read), WORD,
    )  # fmt: skip
    values: tuple[Cell, ...] = tuple(one.value for one in found.reported)
    rows: list[tuple[Cell, ...]] = [
        ("read", "", None, None, *values, ""),
        (SOUND, "", None, found.sound_miss, *_cells(found.sound, read), ""),
    ]
    rows += [
        (fault.name, fault.words, found.shares[k], found.misses[k], *_cells(row, read), row.word)
        for k, (fault, row) in enumerate(zip(found.faults[:MOST_SHOWN], found.rows, strict=False))
    ]
    return Table(key="fits", title="What fits what was read, the likeliest first", columns=columns, rows=rows)


def _ages(found: FaultsFound) -> Table:
    columns = (Column(key="age", heading="age", show=fixed(2)), *map(figure_column, found.figures), WORD)
    rows = [(share, *_cells(row, found.figures), row.word) for share, row in zip(found.ages, found.aged, strict=True)]
    return Table(
        key="ages", title="With age: electrolytics drier, wipers dirtier, semiconductors warmer", columns=columns,
        rows=rows, notes=(f"Age 1 is {100.0 * DRIED_SHARE:g} % of each electrolytic's capacitance gone, "
                          f"{DIRT_OHM / 1e3:g} kohm in each wiper, semiconductors {WARMER_K:g} K warmer (estimates).",),
    )  # fmt: skip


def _symptoms(found: FaultsFound) -> Table:
    rows = [
        (fault.name, fault.words, row.word, number)
        for fault, row, number in zip(found.faults, found.rows, found.groups, strict=True)
    ]
    return Table(key="symptoms", title="What each fault does", columns=(FAULT, WHAT, WORD, GROUP), rows=rows)


def _groups(found: FaultsFound) -> Table:
    members: dict[int, list[str]] = {}
    for fault, number in zip(found.faults, found.groups, strict=True):
        members.setdefault(number, []).append(fault.name)
    columns = (GROUP, Column(key="size", heading="faults", show=fixed(0)),
               Column(key="members", heading="which", folds=True))  # fmt: skip
    rows = [(number, len(names), ", ".join(names)) for number, names in sorted(members.items()) if len(names) > 1]
    return Table(key="groups", title="Faults that these readings cannot tell apart", columns=columns, rows=rows)


def _figures(found: FaultsFound) -> Table:
    columns = (FAULT, *map(figure_column, found.figures))
    named = [(SOUND, found.sound), *((row.name, row) for row in found.rows)]
    rows = [(name, *_cells(row, found.figures)) for name, row in named]
    return Table(key="figures", title="Figures", columns=columns, rows=rows, detail=True, brief=frozenset({0}))


def _volts(found: FaultsFound) -> Table:
    columns = (FAULT, *(Column(key=f"volts@{node}", heading=node, unit="V", show=VOLTS) for node in found.nodes))
    named = [(SOUND, found.sound), *((row.name, row) for row in found.rows)]
    rows = [(name, *(_volt(row, node) for node in found.nodes)) for name, row in named]
    return Table(key="volts", title="Volts at rest", columns=columns, rows=rows, detail=True, brief=frozenset())


def _volt(row: Symptoms, node: str) -> Cell:
    volt = row.node_v[node]
    return volt if np.isfinite(volt) else Missing(cause="not computed", text=row.reasons.get("rest", "not to be had"))


def _cells(row: Symptoms, figures: tuple[Figure, ...] | list[Figure]) -> tuple[Cell, ...]:
    cells: list[Cell] = []
    for one in figures:
        value = row.values.get(one.key, float("nan"))
        if one.node is not None and not np.isfinite(value):
            value = row.node_v[one.node]
        why = row.reasons.get(one.key, row.reasons.get("rest", "not to be had"))
        cells.append(value if np.isfinite(value) else Missing(cause="not computed", text=why))
    return tuple(cells)


DEFINITIONS = (
    Definition(term="single fault", status=OWN, meaning="one part with one thing wrong at one strength, as it comes "
               "with age or use; with --mistakes also what a hand gets wrong"),
    Definition(term="symptom", status=OWN, meaning=f"what lies more than {OUT:g} standard deviations of the unit's "
               "own spread, trims set and in reach, from the sound unit, and further than anybody minds (1 dB, 25 %, "
               "0.1 V); the files of --csv and --json have the volts of all nodes"),
    Definition(term="told apart", status=OWN, meaning=f"some reading differs by {TOLD_APART:g} times the accuracy and "
               f"spread of a difference; a figure that one of two has not counts as {LOST:g}"),
)  # fmt: skip
