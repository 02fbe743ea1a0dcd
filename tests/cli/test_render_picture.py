"""The picture of a render: units on the axes, no peak lost, the same picture every time."""

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from fetsim.audio.gain_log import GainLog
from fetsim.audio.levels import FLOOR_DB
from fetsim.report.look.plots import save_figure
from fetsim.report.render.picture import COLUMNS, column_starts, draw_render


def log(rows, **columns):
    time_s = (np.arange(rows) + 0.5) / 200.0
    values = {name: np.zeros(rows) for name in GainLog.__dataclass_fields__} | {"time_s": time_s}
    return GainLog(**(values | columns))


def drawn(panel, number=0):
    return panel.lines[number].get_ydata()


def test_every_axis_has_its_unit_and_every_channel_its_panels():
    figure = draw_render([log(100), log(100)], "jingle.wav through Dunlin")
    labels = [panel.get_ylabel() for panel in figure.axes]
    assert labels == ["Level (dBu)", "Gain reduction\n(dB)"] * 2
    assert figure.axes[-1].get_xlabel() == "Time (s)"
    assert [panel.get_title(loc="left") for panel in figure.axes[::2]] == ["Channel 1", "Channel 2"]
    assert figure.get_suptitle() == "jingle.wav through Dunlin"


@pytest.mark.parametrize("rows", [1, 7, 999, 1000, 1001, 720_000])
def test_columns_cover_all_rows(rows):
    starts = column_starts(rows)
    assert starts[0] == 0 and len(starts) == min(rows, COLUMNS)
    assert np.all(np.diff(starts) > 0)


def test_one_loud_interval_of_an_hour_is_seen():
    rows = 720_000
    peaks, reduction = np.full(rows, -10.0), np.zeros(rows)
    peaks[400_001], reduction[123_457] = 18.0, 23.0
    figure = draw_render([log(rows, output_peak_dbu=peaks, gain_reduction_max_db=reduction)], "an hour")
    levels, gain = figure.axes
    assert drawn(gain).max() == 23.0
    assert gain.get_ylim()[0] >= 23.0  # downwards
    assert levels.get_ylim()[1] >= 18.0
    assert gain.get_xlabel() == "Time (min:s)"


def test_the_deepest_moment_is_marked_and_told():
    reduction = np.zeros(4000)
    reduction[2400] = 7.25
    gain = draw_render([log(4000, gain_reduction_max_db=reduction)], "").axes[1]
    (dot,) = (line for line in gain.lines if line.get_marker() == "o")
    assert (dot.get_xdata()[0], dot.get_ydata()[0]) == (2400.5 / 200.0, 7.25)
    assert "deepest, 7.2 dB at 12.00 s" in gain.get_title(loc="right")
    assert len(draw_render([log(100)], "").axes[1].lines) == 1  # nothing to mark


def test_input_and_output_do_not_rest_on_colour():
    """One range is filled and the other hatched, so that they stay apart in grey and where they overlap."""
    ranges = draw_render([log(100, input_peak_dbu=np.full(100, 3.0), output_peak_dbu=np.full(100, 3.0))], "")
    filled, hatched = ranges.axes[0].collections
    assert not filled.get_hatch() and filled.get_facecolor()[0][3] > 0.3
    assert hatched.get_hatch() and hatched.get_facecolor().size == 0


def test_a_name_with_dollars_is_no_formula(tmp_path):
    save_figure(draw_render([log(100)], r"$\frac{1}{$.wav through $x$"), tmp_path / "p.svg", "svg")
    assert (tmp_path / "p.svg").stat().st_size > 1000


def test_levels_are_means_of_power():
    rows = 200  # one second; two rows a column
    swing = np.tile([0.0, FLOOR_DB], rows // 2)
    levels = draw_render([log(rows, input_rms_dbu=swing)], "").axes[0]
    assert drawn(levels) == pytest.approx(10 * np.log10(0.5))  # half the power
    assert "rms over 10 ms" in levels.get_title(loc="right")


def test_no_text_stands_on_another():
    figure = draw_render([log(720_000), log(720_000)], "a long name of a recording through a unit.wav")
    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw(renderer)
    legends = [panel.get_legend() for panel in figure.axes[::2]]
    words = [panel.get_title(loc=side) for panel in figure.axes for side in ("left", "right")]
    words += [figure.get_suptitle(), *(panel.get_ylabel() for panel in figure.axes), figure.axes[-1].get_xlabel()]
    texts = [text for text in figure.findobj(Text) if text.get_text() and text.get_text() in words]
    extents = [thing.get_window_extent(renderer) for thing in (*legends, *texts)]
    assert len(extents) == 2 + 1 + 2 + 4 + 4 + 1  # legends, title, channels, captions, axes, time
    for number, extent in enumerate(extents):
        assert not any(extent.overlaps(other) for other in extents[number + 1 :])


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_the_same_log_makes_the_same_file(kind, tmp_path):
    silence = np.full(50, FLOOR_DB)
    for name in ("a", "b"):
        one = log(50, input_rms_dbu=silence, input_peak_dbu=silence)
        save_figure(draw_render([one], "silence"), tmp_path / name, kind)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes() != b""
