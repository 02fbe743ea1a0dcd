"""The picture of a comparison: what is in it, and names that are not formulas."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure

from fetsim.report.compare.picture import SHOWN_RANGE_DB, draw_comparison
from fetsim.report.look.plots import save_figure
from fetsim.studies.compare.comparison import Activity, Comparison, Difference, Outline, VersionResult

SECONDS, COLUMNS = 4.0, 2000


def outline(level):
    rms = np.full(COLUMNS, level)
    return Outline(
        column_s=SECONDS / COLUMNS, minimum=-np.sqrt(2.0) * rms, maximum=np.sqrt(2.0) * rms, rms=rms
    )


def version(name, level, reduction_db, difference):
    time_s = np.linspace(0.0, SECONDS, 800)
    rows = np.full(800, reduction_db)
    activity = Activity(
        time_s=time_s, gain_reduction_max_db=rows, gain_reduction_mean_db=rows, peak_db=reduction_db,
        mean_db=reduction_db,
    )
    left = None if difference is None else Difference(
        level_db=-20.0, outline=outline(difference), flac_file="d.flac", wav_file="d.wav", gain_db=0.0
    )
    return VersionResult(
        label=name, changes=(), flac_file="a.flac", wav_file="a.wav", activity=activity, outline=outline(level),
        difference=left,
    )  # fmt: skip


@pytest.fixture
def comparison():
    versions = (
        version("as built", 10 ** (-20 / 20) / np.sqrt(2.0), 6.0, None),
        version("$broken \\formula", 10 ** (-23 / 20) / np.sqrt(2.0), 9.0, 0.01),
        version("_hidden", 10 ** (-26 / 20) / np.sqrt(2.0), 3.0, 0.001),
        VersionResult(label="failed", changes=(), error="no bias point"),
    )
    return Comparison(
        title="<b>$t \\x$", input_name="in.wav", unit_name="U", rate_hz=48000, channels=1, duration_s=SECONDS,
        matching="loudness", matching_reason="", headroom_gain_db=0.0, conditions={}, cautions=(), settings={},
        created="2026-01-01", package_version="0", versions=versions,
    )  # fmt: skip


def test_every_version_that_plays_is_drawn_where_it_belongs(comparison, tmp_path):
    figure = draw_comparison(comparison)
    reduction, level, difference = figure.axes
    assert [line.get_ydata()[400] for line in reduction.lines] == [6.0, 9.0, 3.0]
    assert [line.get_ydata()[1000] for line in level.lines] == pytest.approx([-20.0, -23.0, -26.0])
    assert [line.get_ydata()[0] for line in difference.lines] == pytest.approx([-37.0, -57.0], abs=0.02)
    assert reduction.get_ylim()[0] > reduction.get_ylim()[1]  # downwards, as meters show it
    assert level.get_ylim()[1] > -20.0 > level.get_ylim()[0] and np.diff(level.get_ylim())[0] <= SHOWN_RANGE_DB + 2.0
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert labels == ["as built", "\\$broken \\formula", " _hidden"]
    save_figure(figure, tmp_path / "p.png", "png")  # a formula would fail here
    assert (tmp_path / "p.png").stat().st_size > 10_000


def test_no_two_of_eleven_lines_are_alike(comparison):
    versions = tuple(version(f"v{k}", 0.1, 1.0 + k, None) for k in range(11))
    figure = draw_comparison(replace(comparison, versions=versions))
    seen = {(line.get_color(), line.get_marker()) for line in figure.axes[0].lines}
    assert len(seen) == 11, "same colour and same mark"
    assert {line.get_marker() for line in figure.axes[0].lines[:5]} == {""}


def test_silence_and_no_difference_are_drawn_empty(comparison):
    silent = VersionResult(
        label="as built", changes=(), activity=version("", 0, 0.0, None).activity, outline=outline(0.0)
    )
    one = Comparison(**{**{f: getattr(comparison, f) for f in comparison.__dataclass_fields__}, "versions": (silent,)})
    figure = draw_comparison(one)
    assert np.all(np.isfinite(figure.axes[1].get_ylim())) and not figure.axes[2].lines


def test_a_comparison_draws_itself_and_has_tables(comparison):
    assert len(comparison.plot().axes) == 3
    ax = Figure().subplots()
    assert comparison.plot(ax) is ax
    assert [line.get_ydata()[400] for line in ax.lines] == [6.0, 9.0, 3.0]
    levels, figures = comparison.tables()
    assert [row[0] for row in levels.rows] == ["as built", "$broken \\formula", "_hidden"]
    assert [row[-1] for row in levels.rows][1:] == [-20.0, -20.0]
    assert [row[5] for row in figures.rows] == [6.0, 9.0, 3.0]
