"""From what a data sheet or a bridge tells of a core to the values of its law (``core``).

All figures belong to one winding and to sinusoidal flux, whose peak at a voltage V and a frequency f is p = V sqrt(2) /
(2 pi f). A stop of stiffness s and reach y answers it with (s/pi) (theta - sin(2 theta)/2) of p in phase,
cos(theta) = 1 - 2 y/p, and takes 4 s y (p - y) from every cycle; a swing short of its reach meets its whole stiffness
(the bilinear hysteretic element of mechanics: Caughey, J. Appl. Mech. 27 (1960) 640, from memory). So for the twelve
stops everything here is exact. Keys are those of a unit file.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import inf, pi, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from fetsim.devices.core import REACH, STIFFNESS
from fetsim.devices.law import Values

LARGEST_OVER_NOMINAL = 1.3
"""Where no figure tells the largest inductance."""
SEVENTH = 35.0 / 64.0
"""Fundamental of cos^7."""
MOST_OVER_NOMINAL = 1e3
"""The largest inductance is looked for up to this."""
OF_LOOP = ("largest_inductance", "core_loss", "remanence")
"""One of them may be given: how wide the loop is."""

Array = NDArray[np.float64]


class CoreMisfit(ValueError):
    """Figures that no core of this law has; which one, and why."""

    def __init__(self, key: str, sentence: str) -> None:
        super().__init__(f"{key}: {sentence}")
        self.key, self.sentence = key, sentence


@dataclass(frozen=True)
class Core:
    """The law's own values, of one winding."""

    initial_h: float
    largest_h: float
    reach_vs: float
    saturation_flux_vs: float
    eddy_ohm: float

    @property
    def stops_per_h(self) -> float:
        """Stiffness of all stops."""
        return 1.0 / self.initial_h - 1.0 / self.largest_h

    def inductance_h(self, flux_vs: float) -> float:
        """What a bridge reads at this peak of a sinusoidal flux: volts over amperes in quadrature to them, over
        2 pi f."""
        rise = SEVENTH * (flux_vs / self.saturation_flux_vs) ** 6
        return 1.0 / ((1.0 + rise) / self.largest_h + self.stops_per_h * _in_phase(self.reach_vs / flux_vs))

    def hysteresis_j(self, flux_vs: float) -> float:
        """Energy that a cycle of this peak flux takes, eddy currents left out."""
        reach = self.reach_vs * REACH
        return float(4.0 * self.stops_per_h * STIFFNESS @ (reach * np.maximum(flux_vs - reach, 0.0)))

    def loss_w(self, volt: float, frequency_hz: float) -> float:
        """Heat of core and eddy currents at a sinusoidal voltage across the winding [V rms]."""
        return frequency_hz * self.hysteresis_j(peak_flux_vs(volt, frequency_hz)) + volt**2 / self.eddy_ohm

    @property
    def remanence_vs(self) -> float:
        """Flux that is left without current after saturation."""

        def short_a(flux_vs: float) -> float:
            single = flux_vs / self.largest_h * (1.0 + (flux_vs / self.saturation_flux_vs) ** 6)
            return single - self.stops_per_h * self.reach_vs

        return float(brentq(short_a, 0.0, 2.0 * self.largest_h * self.stops_per_h * self.reach_vs, xtol=1e-15))

    def values(self) -> Values:
        """As an element takes them."""
        return {
            "initial_h": self.initial_h, "largest_h": self.largest_h, "reach_vs": self.reach_vs,
            "saturation_flux_vs": self.saturation_flux_vs, "eddy_ohm": self.eddy_ohm,
        }  # fmt: skip


def peak_flux_vs(volt: float, frequency_hz: float) -> float:
    """Peak of the flux linkage at a sinusoidal voltage [V rms]."""
    return volt * sqrt(2.0) / (2.0 * pi * frequency_hz)


def core_of(figures: Mapping[str, float], nominal: str) -> Core:
    """The core with these figures; ``nominal`` is the key of the inductance at the nominal level.

    Raises CoreMisfit where there is none.
    """
    return _core_of(tuple(sorted(figures.items())), nominal)


@lru_cache(maxsize=256)
def _core_of(items: tuple[tuple[str, float], ...], nominal: str) -> Core:
    return _Search(dict(items), nominal).found()


class _Search:
    """One set of figures, and the cores that meet its inductances."""

    def __init__(self, figures: Mapping[str, float], nominal: str) -> None:
        self._figures, self._nominal = figures, nominal
        self._initial_h, self._nominal_h = figures["initial_inductance"], figures[nominal]
        self._volt, self._hz = figures["nominal_voltage"], figures["nominal_frequency"]
        self._flux_vs = peak_flux_vs(self._volt, self._hz)
        self._rise = 1.0 + SEVENTH * (self._flux_vs / figures["saturation_flux"]) ** 6
        self._eddy_ohm = figures.get("eddy_resistance", inf)

    def found(self) -> Core:
        if not self._initial_h < self._nominal_h:
            raise CoreMisfit("initial_inductance", f"must be below {self._nominal} = {self._nominal_h:.4g} H")
        if self._rise >= LARGEST_OVER_NOMINAL:
            flux, most = (f"{1e3 * vs:.3g} mVs" for vs in (self._flux_vs, self._figures["saturation_flux"]))
            raise CoreMisfit("nominal_voltage", f"its flux, {flux}, saturates the core ({most}); give a lower level")
        given = [key for key in OF_LOOP if key in self._figures]
        if len(given) > 1:
            raise CoreMisfit(given[1], f"says the same as {given[0]}; give one of {', '.join(OF_LOOP)}")
        if given in ([], ["largest_inductance"]):
            return self._with_largest(self._figures.get("largest_inductance", LARGEST_OVER_NOMINAL * self._nominal_h))
        return self._with_loop(given[0])

    def _with_largest(self, largest_h: float) -> Core:
        """The core of this largest inductance that has the nominal one at the nominal level."""
        least_h = self._rise * self._nominal_h
        if not largest_h > 1.001 * least_h:
            raise CoreMisfit("largest_inductance", f"must be above {self._nominal} = {self._nominal_h:.4g} H")
        stops_per_h = 1.0 / self._initial_h - 1.0 / largest_h
        share = (1.0 / self._nominal_h - self._rise / largest_h) / stops_per_h
        low, high = 1e-9, 1e3  # below, no stop follows; above, all do

        def off(log_ratio: float) -> float:
            return _in_phase(float(np.exp(log_ratio))) - share

        ratio = float(np.exp(brentq(off, np.log(low), np.log(high), xtol=1e-12)))
        return Core(
            self._initial_h, largest_h, ratio * self._flux_vs, self._figures["saturation_flux"], self._eddy_ohm
        )

    def _with_loop(self, key: str) -> Core:
        """The core of this loss at the nominal level, or of this remanence; both grow with the largest inductance."""

        def has(log_over: float) -> float:
            core = self._with_largest(self._rise * self._nominal_h * float(np.exp(log_over)))
            return core.loss_w(self._volt, self._hz) if key == "core_loss" else core.remanence_vs

        wanted = self._figures[key]
        low, high = np.log(1.002), np.log(MOST_OVER_NOMINAL)
        least, most = has(low), has(high)
        if not least <= wanted <= most:
            unit = "W" if key == "core_loss" else "Vs"
            told = f"{wanted:.3g} {unit} is not to be had with these inductances at this level"
            raise CoreMisfit(key, f"{told}, only {least:.3g} to {most:.3g} {unit}")
        log_over = float(brentq(lambda log_over: has(log_over) - wanted, low, high, xtol=1e-12))
        return self._with_largest(self._rise * self._nominal_h * float(np.exp(log_over)))


def _in_phase(reach: float) -> float:
    """Share of the stops' stiffness that a swing meets in phase; ``reach`` is y_c over the swing's peak."""
    theta = np.arccos(1.0 - 2.0 * np.minimum(REACH * reach, 1.0))
    return float(STIFFNESS @ (theta - 0.5 * np.sin(2.0 * theta))) / pi
