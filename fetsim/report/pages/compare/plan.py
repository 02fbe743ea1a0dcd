"""What the page's script is told: numbers and names, packed small."""

import base64
from typing import Any

import numpy as np

from fetsim.measurements.traces.checks import Samples
from fetsim.report.pages.compare.segments import Segments, playable
from fetsim.report.pages.compare.words import audible, clean
from fetsim.studies.compare.comparison import Activity, Comparison, VersionResult

WAVE_STEP = 1.0 / 32767.0
DB_STEP = 0.01
LARGEST = 32767


def make_plan(comparison: Comparison, segments: Segments, folder: str | None) -> dict[str, Any]:
    """``folder`` holds the segments; None when they stand in the page."""
    return {
        "rate_hz": comparison.rate_hz,
        "channels": comparison.channels,
        "frames": segments.frames,
        "segment_frames": segments.segment_frames,
        "embedded": folder is None,
        "folder": folder,
        "column_s": segments.column_frames / comparison.rate_hz,
        "steps": {"wave": WAVE_STEP, "db": DB_STEP},
        "matching": comparison.matching,
        "covariance": segments.covariance.tolist(),
        "about": {
            "title": clean(comparison.title),
            "programme": clean(comparison.input_name),
            "unit": clean(comparison.unit_name),
            "comparison_made": comparison.created,
            "fetsim": comparison.package_version,
        },
        "versions": [
            _version(one, number, segments, comparison.duration_s)
            for number, one in enumerate(playable(comparison))
        ],
    }


def _version(version: VersionResult, number: int, segments: Segments, duration_s: float) -> dict[str, Any]:
    difference = audible(version)
    gain_db = version.loudness.match_gain_db if version.loudness else 0.0
    traces = {
        "low": packed(segments.low[number], WAVE_STEP),
        "high": packed(segments.high[number], WAVE_STEP),
        "difference": packed(segments.difference_db[number], DB_STEP) if difference else None,
        **_reduction(version.activity, duration_s),
    }
    peak_db = float(segments.difference_peak_db[number])
    return {
        "name": clean(version.label),
        "match_gain_db": gain_db,
        "difference": {"level_db": difference.level_db, "peak_db": peak_db} if difference else None,
        "traces": traces,
    }


def packed(values: Samples, step: float) -> str:
    """Whole steps as little-endian 16 bit numbers in base64."""
    steps = np.clip(np.round(np.nan_to_num(values) / step), -LARGEST, LARGEST)
    return base64.b64encode(steps.astype("<i2").tobytes()).decode("ascii")


def _reduction(activity: Activity | None, duration_s: float) -> dict[str, Any]:
    if activity is None:
        return {"reduction_mean": None, "reduction_max": None, "reduction_s": 0.0}
    rows = len(activity.time_s)
    # middles of equal intervals but for the last, which may be shorter
    apart_s = float(activity.time_s[-2] - activity.time_s[0]) / (rows - 2) if rows > 2 else duration_s / rows
    return {
        "reduction_mean": packed(activity.gain_reduction_mean_db, DB_STEP),
        "reduction_max": packed(activity.gain_reduction_max_db, DB_STEP),
        "reduction_s": apart_s,
    }
