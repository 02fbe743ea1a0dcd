"""The words and tables of a page. Texts from users are only cleaned here; the template makes them harmless."""

import re
from collections.abc import Sequence
from typing import Any

from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.report.pages.compare.segments import playable
from fetsim.schematic.change_list import Step
from fetsim.schematic.settings import ABSENT
from fetsim.studies.compare.comparison import Comparison, Difference, VersionResult

KEYS = (
    (("Space",), "play, pause"),
    (("1 to 9",), "hear a version"),
    (("N", "B"), "hear the next version, the one before"),
    (("D",), "the version's difference alone, and back"),
    (("\u2190", "\u2192"), "one second back, forward; with Shift ten"),
    (("Home", "End"), "to the beginning, to the end"),
    (("[", "]"), "the loop begins here, ends here"),
    (("L", "C"), "loop on or off, clear it"),
    (("Z",), "show the loop large, show all"),
    (("+", "-"), "level up, down by 1 dB"),
    (("M",), "levels matched, or as the versions left them"),
    (("R",), "raise differences so that they can be heard"),
    (("0", "1", "2"), "in a test: hear the reference, the first, the second"),
    (("F", "S", "N"), "in a test: answer first, second, no preference"),
)
OWN_CHANGES = ("match_gain_db", "gain_db", "difference_db")  # whose change from the first version says nothing more
_UNSHOWABLE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")


def clean(text: str) -> str:
    """A user's text without control characters and the halves of letters that file names can hold."""
    return _UNSHOWABLE.sub("\N{REPLACEMENT CHARACTER}", text)


def isolated(text: str) -> str:
    """A user's text inside a sentence, kept from turning the sentence's direction."""
    return f"\N{FIRST STRONG ISOLATE}{text}\N{POP DIRECTIONAL ISOLATE}"


def audible(version: VersionResult) -> Difference | None:
    """Its difference from the first version, if there is any."""
    return version.difference if version.difference is not None and version.difference.audible_at_all else None


def page_words(comparison: Comparison) -> dict[str, Any]:
    """Everything the template writes."""
    versions, account = playable(comparison), comparison.account()
    return {
        "title": clean(comparison.title),
        "facts": [clean(text) for text in _facts(comparison)],
        "cautions": [clean(text) for text in _cautions(comparison)],
        "matching": comparison.matching,
        "duration": duration_text(comparison.duration_s),
        "plan_seconds": f"{comparison.duration_s:.1f}",
        "versions": [_version_words(version) for version in versions],
        "change_rows": [_changes(version) for version in comparison.versions],
        "figure_table": {"names": [clean(version.label) for version in versions], "rows": _figure_rows(account.tables)},
        "conditions": [(clean(one.term), clean(one.meaning)) for one in account.definitions],
        "made": _made(comparison),
    }


def duration_text(seconds: float) -> str:
    """Seconds, or minutes and seconds from two minutes on."""
    if seconds < 120.0:
        return f"{seconds:.1f} s"
    return f"{int(seconds) // 60}:{seconds % 60.0:04.1f} min"


def signed(value: float, digits: int) -> str:
    """A number with a sign of its own, and no sign for nothing."""
    text = f"{value:+.{digits}f}"
    return number(0.0, digits) if float(text) == 0.0 else text.replace("-", "\N{MINUS SIGN}")


def number(value: float, digits: int) -> str:
    """A number with a proper minus."""
    return f"{value + 0.0:.{digits}f}".replace("-", "\N{MINUS SIGN}")


def _facts(comparison: Comparison) -> list[str]:
    channels = {1: "mono", 2: "stereo"}.get(comparison.channels, f"{comparison.channels} channels")
    matching = {
        "loudness": "levels matched by loudness",
        "rms": "levels matched by rms",
        "none": "levels not matched",
    }[comparison.matching]
    return [
        f"{isolated(comparison.input_name)} through {isolated(comparison.unit_name)}",
        f"{duration_text(comparison.duration_s)}, {comparison.rate_hz / 1000:g} kHz, {channels}",
        matching,
    ]


def _cautions(comparison: Comparison) -> list[str]:
    own = [f"{isolated(version.label)}: {text}" for version in comparison.versions for text in version.cautions]
    failed = [f"{isolated(version.label)}: could not be played" for version in comparison.versions if version.error]
    return [*comparison.cautions, *own, *failed]


def _version_words(version: VersionResult) -> dict[str, Any]:
    return {
        "name": clean(version.label),
        "summary": ". ".join(_summary(version)) + ".",
        "reduction_now": _reduction_now(version),
        "playable_difference": audible(version) is not None,
    }


def _reduction_now(version: VersionResult) -> str:
    """What stands before the figure that moves along; empty without one."""
    if version.activity is None:
        return ""
    return "reduction now" if version.activity.mean_db is not None else "reduction now, but for a constant"


def _summary(version: VersionResult) -> list[str]:
    found = []
    played = version.activity
    if played is not None and played.mean_db is not None and played.peak_db is not None:
        mean, peak = number(played.mean_db, 1), number(played.peak_db, 1)
        found.append(f"Gain reduction {mean} dB on average, {peak} dB at most")
    elif played is not None:
        found.append("How much gain reduction is not known, only how it moves")
    difference = audible(version)
    if difference is not None:
        side = "under" if difference.level_db <= 0.0 else "above"
        found.append(f"Difference {abs(difference.level_db):.1f} dB {side} the programme")
    elif version.difference is not None:
        found.append("No difference")
    if version.loudness is not None and version.loudness.gain_db:
        loud = version.loudness
        headroom = signed(loud.gain_db - loud.match_gain_db, 2)
        found.append(f"Match gain {signed(loud.match_gain_db, 2)} dB, headroom gain {headroom} dB")
    return found or ["Nothing was logged"]


def _changes(version: VersionResult) -> dict[str, Any]:
    if version.error:
        rows = [{"note": f"could not be played: {clean(version.error)}"}]
    elif not version.changes:
        rows = [{"note": "nothing changed"}]
    else:
        rows = [
            {"note": "", "part": clean(part), "before": clean(before), "after": clean(after)}
            for part, before, after in (version.changes if not version.work else _made_by(version))
        ]
    return {"name": clean(version.label), "rows": rows}


def _made_by(version: VersionResult) -> list[tuple[str, str, str]]:
    """Which unit it is, then the work: its own changes are in that."""
    return [*version.changes[:1], *map(_step, version.work)]


def _step(step: Step) -> tuple[str, str, str]:
    """Work for the iron as a change: what to do with which part, where."""
    where = f" at {step.where}" if step.where else ""
    return f"{step.do} {step.name}{where}", step.before or ABSENT, step.after or ABSENT


def _figure_rows(tables: Sequence[Table]) -> list[dict[str, Any]]:
    """The tables turned on their side: a row for each figure, a cell for each version."""
    return [
        {"label": _label(column), "cells": [_cell(column, table.rows[0][place], row[place]) for row in table.rows]}
        for table in tables
        for place, column in enumerate(table.columns)
        if place >= table.heads
    ]


def _label(column: Column) -> str:
    return f"{column.heading[:1].upper()}{column.heading[1:]}, {column.unit}"


def _cell(column: Column, first: Cell, cell: Cell) -> dict[str, str]:
    """Text, change from the first version where there is one at this precision, and why there is no figure."""
    missing = isinstance(cell, Missing) and cell.cause != "not defined"
    return {
        "text": "\N{EN DASH}" if not isinstance(cell, float) else _shown(column, cell),
        "change": _change(column, first, cell),
        "reason": clean(cell.text) if isinstance(cell, Missing) and missing else "",
    }


def _shown(column: Column, value: float) -> str:
    return (str(value) if column.show is None else column.show(value)).replace("-", "\N{MINUS SIGN}")


def _change(column: Column, first: Cell, cell: Cell) -> str:
    if not (isinstance(first, float) and isinstance(cell, float)) or column.key in OWN_CHANGES:
        return ""
    text, nothing = _shown(column, cell - first), _shown(column, 0.0)
    if _shown(column, first) == _shown(column, cell) or text == nothing:
        return ""
    return text if text[0] in "+\N{MINUS SIGN}" else f"+{text}"


def _made(comparison: Comparison) -> list[tuple[str, str]]:
    lines = [
        ("programme", comparison.input_name),
        ("unit", comparison.unit_name),
        *comparison.settings.items(),
        ("matching", f"{comparison.matching} ({comparison.matching_reason})"),
        ("headroom gain", f"{number(comparison.headroom_gain_db, 1)} dB, the same for all: no true peak above "
         "\N{MINUS SIGN}1 dBTP"),
        *((f"files of {isolated(one.label)}", f"{one.flac_file}, {one.wav_file}") for one in playable(comparison)),
        ("made", f"{comparison.created} by fetsim {comparison.package_version}"),
    ]
    return [(clean(name), clean(text)) for name, text in lines]
