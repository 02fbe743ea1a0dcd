"""A comparison as tables for the terminal."""

import unicodedata
from pathlib import Path

from fetsim.report.look.columns import columns, facts, page, paragraph, section
from fetsim.report.render.text import CHANNELS
from fetsim.studies.compare.comparison import Comparison, VersionResult

LONGEST_NAME = 30  # characters of a name in a table
NONE = "-"
MATCHED_BY = {"loudness": "loudness (ITU-R BS.1770)", "rms": "rms", "none": "nothing: levels as they came out"}


def compare_text(comparison: Comparison, folder: Path) -> str:
    """What was compared, changes, levels and differences, figures, what failed, cautions, files.

    >>> import fetsim
    >>> import numpy as np, soundfile
    >>> soundfile.write("in.wav", 0.1 * np.sin(0.1 * np.arange(48000)), 48000)
    >>> versions = {"larger": {"C2": "330n"}}
    >>> found = fetsim.compare("in.wav", versions, folder="heard", unit="teaching", quality="draft")
    >>> from pathlib import Path
    >>> "larger" in fetsim.compare_text(found, Path("heard"))
    True
    """
    heard = [one for one in comparison.versions if not one.error]
    lost = [one for one in comparison.versions if one.error]
    return page(
        [
            _head(comparison),
            section("Versions", columns(("", "version", "changes"), [_changes(*one) for one in _numbered(comparison)])),
            _levels(heard),
            _figures(comparison, heard),
            section("Not played", *(paragraph(f"{_name(one)}: {one.error}") for one in lost)),
            section("Take care", *(paragraph(text) for text in _cautions(comparison))),
            section("Written", facts([("folder", f"{folder}/")])),
        ]
    )


def _head(comparison: Comparison) -> str:
    c = comparison
    kind = CHANNELS.get(c.channels, f"{c.channels} channels")
    common = c.settings.get("changed in all", "nothing")
    headroom = f"all lowered by {-c.headroom_gain_db:.1f} dB, so that no true peak is above -1 dBTP"
    return section(
        "Compared",
        facts(
            [
                ("title", _plain(c.title)),
                ("played", f"{_plain(c.input_name)}: {c.duration_s:.2f} s, {c.rate_hz / 1000:g} kHz, {kind}"),
                ("unit", c.unit_name if common == "nothing" else f"{c.unit_name}, in all versions {common}"),
                ("matched by", f"{MATCHED_BY[c.matching]} ({c.matching_reason})"),
                ("headroom", headroom if c.headroom_gain_db else "no true peak is above -1 dBTP"),
            ]
        ),
    )


def _numbered(comparison: Comparison) -> list[tuple[int, VersionResult]]:
    return list(enumerate(comparison.versions))


def _changes(number: int, one: VersionResult) -> tuple[str, str, str]:
    changes = ", ".join(f"{name} {before} -> {after}" for name, before, after in one.changes)
    return str(number), _name(one), changes or NONE


def _levels(heard: list[VersionResult]) -> str:
    rows = [
        (
            _name(one), _shown(one.loudness.loudness_lufs, ".1f"), _shown(one.loudness.rms_dbfs, ".1f"),
            _shown(one.loudness.match_gain_db, "+.2f"), _shown(one.loudness.true_peak_dbtp, ".1f"), _difference(one),
        )
        for one in heard if one.loudness is not None
    ]  # fmt: skip
    headings = ("version", "LUFS", "rms dBFS", "match gain dB", "true peak dBTP", "difference dB")
    text = "LUFS and rms before matching; difference: what the change adds, under the programme"
    return section("Levels", columns(headings, rows, right=range(1, 6)), paragraph(text))


def _figures(comparison: Comparison, heard: list[VersionResult]) -> str:
    rows = []
    for one in heard:
        bench, played = one.figures, one.activity
        if bench is None or played is None:
            continue
        rows.append(
            (
                _name(one), _shown(bench.threshold_dbu, "+.1f"), _shown(bench.attack_ms, ".3g"),
                _shown(bench.release_ms, ".0f"), _shown(bench.thd_percent, ".3f"),
                f"{played.peak_db:.1f}", f"{played.mean_db:.1f}",
            )
        )  # fmt: skip
    headings = ("version", "threshold dBu", "attack ms", "release ms", "THD %", "peak GR dB", "mean GR dB")
    names = {"threshold_dbu": "threshold", "attack_ms": "attack", "release_ms": "release", "thd_percent": "THD"}
    meant = [(names[name], text) for name, text in comparison.conditions.items()]
    missing = [
        (_name(one), f"no {names[name]}: {reason}")
        for one in heard if one.figures is not None for name, reason in one.figures.reasons.items()
    ]  # fmt: skip
    rest = [("at rest", f"{_name(one)}: {one.rest.told}") for one in heard if one.rest is not None]
    return section("Figures", columns(headings, rows, right=range(1, 7)), facts([*meant, *missing, *rest]))


def _cautions(comparison: Comparison) -> list[str]:
    own = [f"{_name(one)}: {text}" for one in comparison.versions for text in one.cautions]
    return [*comparison.cautions, *own]


def _difference(one: VersionResult) -> str:
    if one.difference is None:
        return NONE
    return _shown(one.difference.level_db, ".1f") if one.difference.audible_at_all else "no difference"


def _shown(value: float | None, how: str) -> str:
    return NONE if value is None else format(value, how)


def _name(one: VersionResult) -> str:
    name = _plain(one.name)
    return name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 3]}..."


def _plain(text: str) -> str:
    """Without letters that move the cursor or turn the line around."""
    return "".join("?" if unicodedata.category(letter) in ("Cc", "Cs", "Cf") else letter for letter in text)
