"""The picture of a response: a flat unit looks flat, and group delay is drawn where it says something."""

import pytest

from fetsim.measurements.response.procedure import measure_response
from fetsim.report.response.picture import draw
from fetsim.schematic.load import load_unit


@pytest.fixture(scope="module", params=["teaching", "dunlin"])
def panels(request):
    figure = draw({"": measure_response(load_unit(request.param), quality="draft")}, "")
    return request.param, {panel.get_ylabel().split()[0]: panel for panel in figure.axes}


def test_at_least_a_decibel_either_way(panels):
    """The teaching unit falls by 0.002 dB up to 20 kHz, the Dunlin by 0.28 dB down to 20 Hz."""
    low, high = panels[1]["Gain"].get_ylim()
    assert low <= -1.0 and high >= 1.0


def test_group_delay_only_where_it_matters(panels):
    """0.6 us at 20 Hz in the teaching unit, 6 ms in the Dunlin."""
    unit, found = panels
    assert ("Group" in found) == (unit == "dunlin")


def test_frequencies_stand_under_the_last_panel(panels):
    *upper, last = panels[1].values()
    assert last.get_xlabel() == "Frequency (Hz)" and all(not panel.get_xlabel() for panel in upper)
    last.figure.draw_without_rendering()
    assert all(label.get_visible() for label in last.get_xticklabels())
    assert not any(label.get_visible() for panel in upper for label in panel.get_xticklabels())
