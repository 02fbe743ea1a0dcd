"""Static curves in plain words, and as rows of a table file."""

from collections.abc import Mapping
from math import isinf

import numpy as np

from fetsim.measurements.curve.analysis import BOTTOMED_RATIO, EqualCurves
from fetsim.measurements.curve.procedure import CLIPPED_DB, EQUAL_DB, STATED_REDUCTION_DB, CurveMeasurement, SubsetCurve
from fetsim.report.look.columns import columns, page, paragraph, section

TABLE_LINES = 14  # about so many levels are printed of each curve; the files hold all of them
SAME_DB = 0.01  # curves as near as this are called equal, not nearly equal
DEFINITIONS = (
    "Threshold: input level at which the output's fundamental has fallen 0.5 dB (common practice) or 2 dB (lower limit "
    "of gain control after IEC 60118-2, from memory; no compliance is claimed) below the small-signal gain. Local "
    "ratio: rise of the input over rise of the output between neighbouring levels, dB per dB; it is a curve, so it is "
    f"told with its level. Bottoms out: from this level on the ratio stays under {BOTTOMED_RATIO:g}. Input levels are "
    "those of the source without load."
)


def curve_page(measured: Mapping[str, CurveMeasurement]) -> str:
    """Label of the version -> measurement, as a page for the terminal."""
    first = next(iter(measured.values()))
    title = (
        f"Static curve of {first.unit}: {first.frequency_hz:.6g} Hz, {first.method}, quality {first.quality}; "
        "levels in dBu."
    )
    return page([
        title,
        section("Thresholds and ratios", _summary(measured)),
        section("Left out", *(paragraph(text) for text in left_out(measured))),
        section("Mind", *(paragraph(text) for text in _reasons(measured))),
        *(
            section(f"Curve {name}".strip(), _table(curve))
            for name, curve in named_curves(measured).items()
        ),
        section("Equal switch settings", *(paragraph(text) for text in _equals(measured))),
        section("Definitions", paragraph(DEFINITIONS)),
    ])  # fmt: skip


def named_curves(measured: Mapping[str, CurveMeasurement]) -> dict[str, SubsetCurve]:
    """All curves under names made of version and switches; the unit's name where there is neither."""
    return {
        ", ".join(part for part in (label, curve.switches) if part) or one.unit: curve
        for label, one in measured.items()
        for curve in one.curves
    }


def curve_rows(measured: Mapping[str, CurveMeasurement]) -> list[dict[str, str | float | None]]:
    """One row a level of each curve; the ratio is the one from this level to the next."""
    return [
        {
            "version": label,
            "switches": one.switches,
            "level_dbu": float(one.curve.level_dbu[k]),
            "output_dbu": float(one.curve.output_dbu[k]),
            "gain_reduction_db": float(one.curve.gain_reduction_db[k]),
            "cell_reduction_db": float(one.cell_reduction_db[k]),
            "control_v": float(one.control_v[k]),
            "local_ratio_to_next": float(one.curve.local_ratio[k]) if k < one.curve.slope.size else None,
        }
        for label, measurement in measured.items()
        for one in measurement.curves
        for k in range(one.curve.level_dbu.size)
    ]


def _summary(measured: Mapping[str, CurveMeasurement]) -> str:
    headings = (
        "curve", "0.5 dB at", "2 dB at", "largest ratio", f"ratio at {STATED_REDUCTION_DB:g} dB", "most reduction",
        "bottoms out",
    )  # fmt: skip
    rows = []
    for name, one in named_curves(measured).items():
        c = one.curve
        compressing = c.threshold_half_db_dbu is not None
        rows.append((
            name, _level(c.threshold_half_db_dbu), _level(c.threshold_2db_dbu),
            f"{_ratio(c.largest_ratio)} at {c.largest_ratio_at_dbu:+.1f}" if compressing else "-",
            _ratio(one.ratio_at_10db), f"{c.most_gain_reduction_db:.1f} dB at {c.most_gain_reduction_at_dbu:+.0f}",
            _level(c.bottoms_out_dbu),
        ))  # fmt: skip
    return columns(headings, rows, right=(1, 2, 3, 4, 5, 6), rigid=range(7))


def _reasons(measured: Mapping[str, CurveMeasurement]) -> list[str]:
    names = {
        "threshold_half_db_dbu": "0.5 dB threshold", "threshold_2db_dbu": "2 dB threshold", "bottoms_out_dbu": "bottom",
    }  # fmt: skip
    found = []
    for name, one in named_curves(measured).items():
        found += [f"{name}: {names[figure]}: {why}" for figure, why in one.curve.reasons.items()]
        if one.clips_dbu is not None:
            found.append(
                f"{name}: from {one.clips_dbu:+.1f} dBu on the output loses {CLIPPED_DB:g} dB more than the FET "
                "accounts for: a stage clips, and what is told of levels above is not gain reduction"
            )
    return found


def left_out(measured: Mapping[str, CurveMeasurement]) -> list[str]:
    """A sentence for each switch subset that has no curve."""
    return [
        f"{', '.join(part for part in (label, f'switches {switches}' if switches else '') if part)}: {why}"
        for label, one in measured.items()
        for switches, why in one.left_out.items()
    ]


def _table(one: SubsetCurve) -> str:
    c = one.curve
    whole = np.flatnonzero(np.isclose(c.level_dbu, np.round(c.level_dbu)))
    shown = whole if whole.size else np.arange(c.level_dbu.size)
    shown = shown[:: max(1, round(shown.size / TABLE_LINES))]
    slope = np.interp(c.level_dbu, c.middle_in_dbu, c.slope)
    rows = [
        (
            f"{c.level_dbu[k]:+.1f}", f"{c.output_dbu[k]:+.2f}", f"{c.gain_reduction_db[k] + 0.0:.2f}",
            _ratio(1.0 / slope[k] if slope[k] != 0.0 else np.inf), f"{one.cell_reduction_db[k]:.2f}",
            "-" if np.isnan(one.control_v[k]) else f"{one.control_v[k]:.3f}",
        )
        for k in shown
    ]  # fmt: skip
    headings = ("input dBu", "output dBu", "reduction dB", "local ratio", "in the FET dB", "control V")
    return columns(headings, rows, right=range(6), rigid=range(6))


def _equals(measured: Mapping[str, CurveMeasurement]) -> list[str]:
    found = []
    for label, one in measured.items():
        if not one.compared:
            continue
        start = f"{label}: " if label else ""
        if not one.equals:
            found.append(f"{start}none of the {one.compared} settings are alike within {EQUAL_DB:g} dB.")
        found += [f"{start}{_alike(group)}" for group in one.equals]
    return found


def _alike(group: EqualCurves) -> str:
    names = ", ".join(group.names[:-1]) + f" and {group.names[-1]}"
    if group.largest_difference_db < SAME_DB:
        return f"{names} are equal (within {SAME_DB:g} dB at every level compared)."
    return f"{names} are nearly equal: never more than {group.largest_difference_db:.2f} dB apart."


def _level(value: float | None) -> str:
    return "-" if value is None else f"{value:+.2f}"


def _ratio(value: float | None) -> str:
    if value is None:
        return "-"
    if isinf(value):
        return "stands still"
    return "falls" if value < 0.0 else f"{value:.1f}" if value >= 10.0 else f"{value:.2f}"
