"""The gain-reduction needle in plain words, and as rows of a table file."""

from collections.abc import Mapping

import numpy as np

from fetsim.measurements.needle.procedure import NeedleTrace
from fetsim.report.look.columns import columns, page, paragraph, section

DEFINITIONS = (
    "The needle has the ballistics of the standard volume indicator: 99 % of a step in 300 ms, 1.25 % overshoot (ANSI "
    "C16.5 / IEC 60268-17, second-hand; no compliance is claimed). It is driven by the gain reduction in dB and its "
    "scale is even in dB."
)


def needle_page(traces: Mapping[str, NeedleTrace], time_s: float | None = None) -> str:
    """Label -> trace, as a page for the terminal; ``time_s`` adds the reading at that instant."""
    several = len(traces) > 1
    headings = ["trace", "deepest reading", "at", "most gain reduction", "at"]
    headings += [] if time_s is None else [f"at {time_s:g} s"]
    rows = []
    for label, one in traces.items():
        deepest, at = one.reading_db(one.deepest_s)[0], int(np.argmax(one.gain_reduction_db))
        row = [label or "needle", f"{deepest:.2f} dB", f"{one.deepest_s:.3f} s"]
        row += [f"{one.gain_reduction_db[at]:.2f} dB", f"{one.time_s[at]:.3f} s"]
        if time_s is not None:
            row.append(f"{one.reading_db(time_s)[0]:.2f} dB")
        rows.append(row)
    return page([
        "Gain-reduction needle.",
        section(
            "Readings",
            *(paragraph(f"{label}: {one.about}." if several else f"{one.about}.") for label, one in traces.items()),
            columns(headings, rows, right=range(1, len(headings)), rigid=range(1, len(headings))),
        ),
        section("Definitions", paragraph(DEFINITIONS)),
    ])  # fmt: skip


def needle_rows(traces: Mapping[str, NeedleTrace]) -> list[dict[str, str | float | None]]:
    """One row an instant of each trace."""
    return [
        {
            "version": label,
            "time_s": float(one.time_s[k]),
            "gain_reduction_db": float(one.gain_reduction_db[k]),
            "needle_db": float(one.needle_db[k]),
        }
        for label, one in traces.items()
        for k in range(len(one.time_s))
    ]
