"""The words and tables of a page. Texts from users are only cleaned here; the template makes them harmless."""

import re
from collections.abc import Sequence
from typing import Any

from fetsim.report.pages.compare.segments import playable
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
FIGURES = (
    # label, record of a version, its field, decimals, whether the change from the first version is told
    ("Threshold, dBu", "figures", "threshold_dbu", 1, True),
    ("Attack, ms", "figures", "attack_ms", 3, True),
    ("Release, ms", "figures", "release_ms", 1, True),
    ("THD, %", "figures", "thd_percent", 3, True),
    ("Mean gain reduction, dB", "activity", "mean_db", 1, True),
    ("Peak gain reduction, dB", "activity", "peak_db", 1, True),
    ("Loss in the FET at rest, dB", "rest", "loss_db", 2, True),
    ("Gate above pinch-off at rest, V", "rest", "above_pinch_off_v", 3, True),
    ("Loudness before matching, LUFS", "loudness", "loudness_lufs", 1, True),
    ("Level before matching, rms, dBFS", "loudness", "rms_dbfs", 1, True),
    ("Gain for matching, dB", "loudness", "match_gain_db", 2, False),
    ("Gain in all, dB", "loudness", "gain_db", 2, False),
    ("True peak in the file, dBTP", "loudness", "true_peak_dbtp", 1, True),
    ("Difference re programme, dB", "difference", "level_db", 1, False),
)
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
        f"{isolated(comparison.input_name)} through {isolated(comparison.unit_name)}",
        f"{duration_text(comparison.duration_s)}, {comparison.rate_hz / 1000:g} kHz, {channels}",
        matching,
    ]


def _cautions(comparison: Comparison) -> list[str]:
    own = [f"{isolated(version.name)}: {text}" for version in comparison.versions for text in version.cautions]
    failed = [f"{isolated(version.name)}: could not be played" for version in comparison.versions if version.error]
    return [*comparison.cautions, *own, *failed]


def _version_words(version: VersionResult) -> dict[str, Any]:
    return {
        "name": clean(version.name),
        "summary": ". ".join(_summary(version)) + ".",
        "has_reduction": version.activity is not None,
        "playable_difference": audible(version) is not None,
    }


def _summary(version: VersionResult) -> list[str]:
    found = []
    if version.activity is not None:
        mean, peak = number(version.activity.mean_db, 1), number(version.activity.peak_db, 1)
        found.append(f"Gain reduction {mean} dB on average, {peak} dB at most")
    difference = audible(version)
    if difference is not None:
        side = "under" if difference.level_db <= 0.0 else "above"
        found.append(f"Difference {abs(difference.level_db):.1f} dB {side} the programme")
    elif version.difference is not None:
        found.append("No difference")
    if version.loudness is not None and version.loudness.gain_db:
        found.append(f"Gain {signed(version.loudness.gain_db, 2)} dB")
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
    rows = []
    for label, record, name, digits, compared in FIGURES:
        values = [_value(version, record, name) for version in versions]
        cells = [
            {
                "text": "\N{EN DASH}" if value is None else number(value, digits),
                "change": _change(values[0], value, digits) if compared and place else "",
                "reason": clean(_reason(version, record, name)),
            }
            for place, (version, value) in enumerate(zip(versions, values, strict=True))
        ]
        rows.append({"label": label, "cells": cells})
    return rows


def _value(version: VersionResult, record: str, name: str) -> float | None:
    found = audible(version) if record == "difference" else getattr(version, record)
    return None if found is None else getattr(found, name)


def _change(first: float | None, value: float | None, digits: int) -> str:
    """From the first version's value; nothing where none shows."""
    if first is None or value is None:
        return ""
    text = signed(value - first, digits)
    return "" if text == number(0.0, digits) else text


def _reason(version: VersionResult, record: str, name: str) -> str:
    """Why there is no value."""
    if record == "figures" and version.figures is not None:
        return version.figures.reasons.get(name, "")
    none = record == "difference" and version.difference is not None and audible(version) is None
    return "no difference" if none else ""


def _conditions(comparison: Comparison) -> list[tuple[str, str]]:
    labels = {name: label.partition(",")[0] for label, _, name, _, _ in FIGURES}
    return [(labels.get(name, clean(name)), clean(text)) for name, text in comparison.conditions.items()]


def _made(comparison: Comparison) -> list[tuple[str, str]]:
    lines = [
        ("programme", comparison.input_name),
        ("unit", comparison.unit_name),
        *comparison.settings.items(),
        ("matching", f"{comparison.matching} ({comparison.matching_reason})"),
        ("headroom gain", f"{number(comparison.headroom_gain_db, 1)} dB, the same for all"),
        *((f"files of {isolated(one.name)}", f"{one.flac_file}, {one.wav_file}") for one in playable(comparison)),
        ("made", f"{comparison.created} by fetsim {comparison.package_version}"),
    ]
    return [(clean(name), clean(text)) for name, text in lines]
