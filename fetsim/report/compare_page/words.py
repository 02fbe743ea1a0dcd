"""The words and tables of a page. Texts from users are only cleaned here; the template makes them harmless."""

import re
from collections.abc import Callable, Sequence
from typing import Any

from fetsim.report.compare_page.segments import playable
from fetsim.studies.comparison import BenchFigures, Comparison, VersionResult

KEYS = (
    (("Space",), "play, pause"),
    (("1", "to", "9"), "hear a version"),
    (("N", "B"), "hear the next version, the one before"),
    (("D"), "the version's difference alone, and back"),
    (("\u2190", "\u2192"), "one second back, forward; with Shift ten"),
    (("Home", "End"), "to the beginning, to the end"),
    (("[", "]"), "the loop begins here, ends here"),
    (("L", "C"), "loop on or off, clear it"),
    (("Z"), "show the loop large, show all"),
    (("+", "-"), "level up, down by 1 dB"),
    (("M"), "levels matched, or as the versions left them"),
    (("R"), "raise differences so that they can be heard"),
    (("0", "1", "2"), "in a test: hear the reference, the first, the second"),
    (("F", "S", "N"), "in a test: answer first, second, no preference"),
)
FIGURES: tuple[tuple[str, str, str, int], ...] = (
    ("threshold_dbu", "Threshold", "dBu", 1),
    ("attack_ms", "Attack", "ms", 2),
    ("release_ms", "Release", "ms", 0),
    ("thd_percent", "THD", "%", 3),
)
_UNSHOWABLE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")


def clean(text: str) -> str:
    """A user's text without control characters and the halves of letters that file names can hold."""
    return _UNSHOWABLE.sub("\N{REPLACEMENT CHARACTER}", text)


def page_words(comparison: Comparison) -> dict[str, Any]:
    """Everything the template writes."""
    versions = playable(comparison)
    return {
        "title": clean(comparison.title),
        "facts": [clean(text) for text in _facts(comparison)],
        "cautions": [clean(text) for text in _cautions(comparison)],
        "matching": comparison.matching,
        "duration": duration_text(comparison.duration_s),
        "plan_seconds": f"{comparison.duration_s:.1f}",
        "versions": [_version_words(version) for version in versions],
        "change_rows": [_changes(version) for version in comparison.versions],
        "figure_table": {"names": [clean(version.name) for version in versions], "rows": _figure_rows(versions)},
        "conditions": _conditions(comparison),
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
        f"{comparison.input_name} through {comparison.unit_name}",
        f"{duration_text(comparison.duration_s)}, {comparison.rate_hz / 1000:g} kHz, {channels}",
        matching,
    ]


def _cautions(comparison: Comparison) -> list[str]:
    own = [f"{version.name}: {text}" for version in comparison.versions for text in version.cautions]
    failed = [f"{version.name}: could not be played" for version in comparison.versions if version.error]
    return [*comparison.cautions, *own, *failed]


def _version_words(version: VersionResult) -> dict[str, Any]:
    difference = version.difference
    return {
        "name": clean(version.name),
        "summary": ". ".join(_summary(version)) + ".",
        "has_reduction": version.activity is not None,
        "playable_difference": difference is not None and difference.audible_at_all,
    }


def _summary(version: VersionResult) -> list[str]:
    found = []
    if version.activity is not None:
        mean, peak = number(version.activity.mean_db, 1), number(version.activity.peak_db, 1)
        found.append(f"Gain reduction {mean} dB on average, {peak} dB at most")
    if version.difference is not None:
        if version.difference.audible_at_all:
            level = version.difference.level_db
            side = "under" if level <= 0.0 else "above"
            found.append(f"Difference {abs(level):.1f} dB {side} the programme")
        else:
            found.append("No difference")
    if version.loudness is not None and version.loudness.trim_db:
        found.append(f"Trim {signed(version.loudness.trim_db, 2)} dB")
    return found or ["Nothing was logged"]


def _changes(version: VersionResult) -> dict[str, Any]:
    if version.error:
        rows = [{"note": f"could not be played: {clean(version.error)}"}]
    elif not version.changes:
        rows = [{"note": "nothing changed"}]
    else:
        rows = [
            {"note": "", "part": clean(part), "before": clean(before), "after": clean(after)}
            for part, before, after in version.changes
        ]
    return {"name": clean(version.name), "rows": rows}


def _figure_rows(versions: Sequence[VersionResult]) -> list[dict[str, Any]]:
    rows = [
        _row(f"{label}, {unit}", versions, lambda v, name=name: _bench(v.figures, name), digits)
        for name, label, unit, digits in FIGURES
    ]
    activity: list[tuple[str, Callable[[VersionResult], float | None]]] = [
        ("Mean gain reduction, dB", lambda v: v.activity.mean_db if v.activity else None),
        ("Peak gain reduction, dB", lambda v: v.activity.peak_db if v.activity else None),
        ("Loudness before matching, LUFS", lambda v: v.loudness.loudness_lufs if v.loudness else None),
        ("Level before matching, rms, dBFS", lambda v: v.loudness.rms_dbfs if v.loudness else None),
        ("True peak in the file, dBTP", lambda v: v.loudness.true_peak_dbtp if v.loudness else None),
    ]
    rows += [_row(label, versions, lambda v, get=get: (get(v), ""), 1) for label, get in activity]
    trims: list[tuple[str, Callable[[VersionResult], float | None]]] = [
        ("Trim for matching, dB", lambda v: v.loudness.match_trim_db if v.loudness else None),
        ("Trim in all, dB", lambda v: v.loudness.trim_db if v.loudness else None),
        ("Difference re programme, dB", lambda v: v.difference.level_db if v.difference else None),
    ]
    return rows + [_row(label, versions, lambda v, get=get: (get(v), ""), 2, compared=False) for label, get in trims]


def _bench(figures: BenchFigures | None, name: str) -> tuple[float | None, str]:
    if figures is None:
        return None, ""
    return getattr(figures, name), figures.reasons.get(name, "")


def _row(
    label: str,
    versions: Sequence[VersionResult],
    get: Callable[[VersionResult], tuple[float | None, str]],
    digits: int,
    *,
    compared: bool = True,
) -> dict[str, Any]:
    first, _ = get(versions[0]) if versions else (None, "")
    cells = []
    for place, version in enumerate(versions):
        value, reason = get(version)
        change = place > 0 and compared and value is not None and first is not None
        cells.append({
            "text": "\N{EN DASH}" if value is None else number(value, digits),
            "change": signed(value - first, digits) if change else "",
            "reason": clean(reason),
        })  # fmt: skip
    return {"label": label, "cells": cells}


def _conditions(comparison: Comparison) -> list[tuple[str, str]]:
    labels = {name: label for name, label, _, _ in FIGURES}
    return [(labels.get(name, clean(name)), clean(text)) for name, text in comparison.conditions.items()]


def _made(comparison: Comparison) -> list[tuple[str, str]]:
    matching = f"{comparison.matching} ({comparison.matching_reason})" if comparison.matching_reason else comparison.matching
    files = [
        (version.name, ", ".join(filter(None, (version.flac_file, version.wav_file)))) for version in playable(comparison)
    ]
    return [
        (clean(name), clean(text))
        for name, text in (
            ("programme", comparison.input_name),
            ("unit", comparison.unit_name),
            *comparison.settings.items(),
            ("matching", matching),
            ("headroom trim", f"{number(comparison.headroom_trim_db, 1)} dB, the same for all"),
            *((f"files of {name}", names) for name, names in files),
            ("made", f"{comparison.created} by fetsim {comparison.package_version}"),
        )
    ]
