"""Picture of noise: density against frequency, and which parts make it."""

from collections.abc import Mapping
from itertools import islice
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.noise.procedure import NoiseMeasurement, NoiseState
from fetsim.measurements.noise.tables import BAND, named_states
from fetsim.report.look.plots import GREY, legend_below, line_styles, new_figure, plain_log_axis

HEIGHT_INCH = 3.9
LARGEST = 8  # contributors shown
LEAST_SHARE = 0.005  # of the power in any of the states
TICKS_HZ = (20.0, 100.0, 1e3, 10e3, 20e3)
TICKS_NV = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3)
GROUP = 0.78  # height of the bars of one contributor, of the distance between two


def draw(measured: Mapping[str, NoiseMeasurement], title: str) -> Figure:
    """Label of the version -> measurement; all states in one figure."""
    states = named_states(measured)
    with new_figure(title, HEIGHT_INCH) as figure:
        density, parts = figure.subplots(1, 2, width_ratios=[1.15, 1.0])
        styles = _draw_density(density, states)
        _draw_parts(parts, states, [style["color"] for style in styles])
        legend_below(figure, density, 3)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, NoiseMeasurement]) -> None:
    """Density against frequency alone."""
    _draw_density(ax, named_states(measured))


def _draw_density(density: Axes, states: Mapping[str, NoiseState]) -> list[dict[str, Any]]:
    styles = list(islice(line_styles(), len(states)))
    for (label, one), style in zip(states.items(), styles, strict=True):
        density.plot(one.frequency_hz, 1e9 * one.density_v, label=f"{label} ({one.unweighted_dbu:.1f} dBu)", **style)
    density.set(xlabel="Frequency (Hz)", ylabel="Noise (nV per root Hz)")
    density.set_title(f"in brackets: unweighted, {BAND}", loc="left", color=GREY)
    plain_log_axis(density, "x", TICKS_HZ)
    plain_log_axis(density, "y", TICKS_NV)
    low, high = density.get_ylim()
    density.set_ylim(low / 1.3, high * 1.3)
    density.set_xlim(TICKS_HZ[0], TICKS_HZ[-1])
    return styles


def _draw_parts(panel: Axes, states: Mapping[str, NoiseState], colours: list[str]) -> None:
    shares = [{f"{one.designator} {one.cause}": one.share for one in state.contributions} for state in states.values()]
    most = {name: max(table.get(name, 0.0) for table in shares) for table in shares for name in table}
    names = [name for name in sorted(most, key=lambda name: -most[name]) if most[name] >= LEAST_SHARE][:LARGEST]
    height = GROUP / len(states)
    for number, (table, colour) in enumerate(zip(shares, colours, strict=True)):
        at = np.arange(len(names)) - 0.5 * GROUP + (number + 0.5) * height
        panel.barh(at, [100.0 * table.get(name, 0.0) for name in names], height, color=colour, linewidth=0.0)
    panel.set_yticks(range(len(names)), names)
    panel.invert_yaxis()
    panel.grid(axis="y", visible=False)
    panel.set_xlabel("Share of the noise power (%)")
