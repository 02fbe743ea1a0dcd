"""A comparison as tables for the terminal."""

import unicodedata
from dataclasses import replace
from pathlib import Path

from fetsim.measurements.results.account import told_once
from fetsim.measurements.results.table import Table
from fetsim.report.look.columns import columns, facts, page, paragraph, section
from fetsim.report.look.terminal import table_section
from fetsim.report.render.text import CHANNELS
from fetsim.report.unit.work import change_list_text
from fetsim.studies.compare.comparison import NOISE, Comparison, VersionResult

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
    account = comparison.account()
    tables = [_short(table) for table in account.tables if table.rows]
    rest = told_once({
        _name(one): () if one.rest.warning else (one.rest.told,) for one in comparison.versions if one.rest is not None
    })  # fmt: skip
    lost = [one for one in comparison.versions if one.error]
    return page(
        [
            _head(comparison),
            section("Versions", columns(("", "version", "changes"), [_changes(*one) for one in _numbered(comparison)])),
            *(section(f"Work for {_name(one)}", change_list_text(one.work)) for one in comparison.versions if one.work),
            *(table_section(table) for table in tables),
            section("At rest", *(paragraph(text) for text in rest)),
            section("Not played", *(paragraph(f"{_name(one)}: {one.error}") for one in lost)),
            section("Take care", *(paragraph(_plain(text)) for text in account.cautions)),
            section("Definitions", facts([(one.term, one.meaning) for one in account.definitions])),
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
                *((name, c.settings[name]) for name in (NOISE,) if name in c.settings),
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


def _short(table: Table) -> Table:
    """With labels that leave room for figures."""
    return replace(table, rows=[(_cut(str(label)), *cells) for label, *cells in table.rows])


def _name(one: VersionResult) -> str:
    return _cut(one.label)


def _cut(label: str) -> str:
    name = _plain(label)
    return name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 3]}..."


def _plain(text: str) -> str:
    """Without letters that move the cursor or turn the line around."""
    return "".join("?" if unicodedata.category(letter) in ("Cc", "Cs", "Cf") else letter for letter in text)
