"""The axis of distortion pictures follows what is drawn."""

from matplotlib.figure import Figure

from fetsim.report.distortion.picture import percent_axis


def test_the_axis_reaches_down_to_the_least_named_line():
    panel = Figure().subplots()
    panel.plot([20.0, 1000.0], [0.5, 2e-5], label="THD")
    panel.plot([20.0, 1000.0], [0.1, 1e-9])  # a harmonic that is next to none
    percent_axis(panel)
    low, high = panel.get_ylim()
    assert 1e-6 < low < 2e-5 and high >= 0.5
    texts = [panel.yaxis.get_major_formatter()(tick, 0) for tick in (1e-5, 0.001, 2.0)]
    assert texts == ["0.00001 %", "0.001 %", "2 %"]


def test_lines_without_names_count_all():
    panel = Figure().subplots()
    panel.plot([0.0, 1.0], [3e-4, 1.0])
    panel.plot([0.0, 1.0], [0.0, 1e-3])  # nothing is none, and no place on the axis
    percent_axis(panel)
    assert 3e-5 < panel.get_ylim()[0] < 3e-4
