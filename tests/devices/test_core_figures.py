"""A core out of a data sheet's figures, against the law itself driven round and round."""

import numpy as np
import pytest

from fetsim.devices.core_figures import CoreMisfit, core_of, peak_flux_vs
from fetsim.devices.inductor_core import INDUCTOR_CORE

FIGURES = {
    "initial_inductance": 8.0, "magnetising": 20.0, "nominal_voltage": 0.4, "nominal_frequency": 20.0,
    "saturation_flux": 60e-3,
}  # fmt: skip


def settled_cycle(core, volt, frequency_hz, steps=6000):
    """Flux and magnetising current of the third cycle of a sinusoidal flux [shape=(steps,)]."""
    bound = INDUCTOR_CORE.law.bound(core.values())
    peak, memory = peak_flux_vs(volt, frequency_hz), np.zeros(INDUCTOR_CORE.law.memory)
    flux = peak * np.sin(2.0 * np.pi * np.arange(1, steps + 1) / steps)
    for _ in range(3):
        current = []
        for phi in flux:
            current.append(bound.evaluate([phi], memory)[0].current)
            bound.accept([phi], memory)
    return flux, np.array(current)


@pytest.mark.slow
@pytest.mark.parametrize("given", [{}, {"largest_inductance": 22.0}, {"largest_inductance": 60.0}])
@pytest.mark.parametrize("level", [0.02, 1.0, 8.0])
def test_inductance_and_loss_are_those_of_the_loops(given, level):
    """What a bridge reads, and the area of the loop, at the nominal level and far from it. 6000 points a cycle round
    each corner off by (pi/3000)^2, 1e-6 of the whole swing: 1e-4 of the smallest loop."""
    core = core_of({**FIGURES, **given}, "magnetising")
    volt = level * FIGURES["nominal_voltage"]
    flux, current = settled_cycle(core, volt, 20.0)
    in_phase = 2.0 * np.mean(current * flux) / flux.max()
    assert core.inductance_h(flux.max()) == pytest.approx(flux.max() / in_phase, rel=1e-4)
    loop_j = np.sum(0.5 * (current + np.roll(current, 1)) * (flux - np.roll(flux, 1)))
    assert core.hysteresis_j(flux.max()) == pytest.approx(loop_j, rel=1e-3)
    if level == 1.0:
        assert core.inductance_h(flux.max()) == pytest.approx(20.0, rel=1e-6)


def test_inductance_runs_from_initial_through_nominal_to_saturation():
    core = core_of(FIGURES, "magnetising")
    at = [core.inductance_h(phi) for phi in (1e-9, peak_flux_vs(0.4, 20.0), 30e-3, 100e-3)]
    assert at[0] == pytest.approx(8.0, rel=1e-6)
    assert at[1] == pytest.approx(20.0, rel=1e-6)
    assert 20.0 < at[2] < core.largest_h == pytest.approx(26.0)
    assert at[3] < 5.0


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9])
def test_a_loss_is_met(share):
    with pytest.raises(CoreMisfit, match="core_loss: 1 W is not to be had") as refusal:
        core_of({**FIGURES, "core_loss": 1.0}, "magnetising")
    most_w = float(refusal.value.sentence.rpartition(" to ")[2].removesuffix(" W"))
    core = core_of({**FIGURES, "core_loss": share * most_w, "eddy_resistance": 1e6}, "magnetising")
    flux, current = settled_cycle(core, 0.4, 20.0)
    loop_j = np.sum(0.5 * (current + np.roll(current, 1)) * (flux - np.roll(flux, 1)))
    assert 20.0 * loop_j + 0.4**2 / 1e6 == pytest.approx(share * most_w, rel=1e-3)
    assert core.inductance_h(flux.max()) == pytest.approx(20.0, rel=1e-6)


@pytest.mark.parametrize("remanence_vs", [1e-3, 5e-3, 30e-3])
def test_a_remanence_is_met(remanence_vs):
    """Magnetised far beyond everything, then let go: the flux at which no current flows."""
    core = core_of({**FIGURES, "remanence": remanence_vs}, "magnetising")
    bound, memory = INDUCTOR_CORE.law.bound(core.values()), np.zeros(INDUCTOR_CORE.law.memory)
    bound.accept([1.0], memory)
    bound.accept([remanence_vs], memory)
    flow = bound.evaluate([remanence_vs], memory)[0]
    assert abs(flow.current / flow.slopes[0]) < 1e-6 * remanence_vs
    assert core.inductance_h(peak_flux_vs(0.4, 20.0)) == pytest.approx(20.0, rel=1e-6)


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"initial_inductance": 20.0}, "initial_inductance: must be below magnetising = 20 H"),
        ({"largest_inductance": 20.0}, "largest_inductance: must be above magnetising = 20 H"),
        ({"nominal_voltage": 8.0}, "nominal_voltage: its flux, 90 mVs, saturates the core"),
        ({"core_loss": 1e-9}, "core_loss: 1e-09 W is not to be had with these inductances"),
        ({"remanence": 1.0}, "remanence: 1 Vs is not to be had with these inductances"),
        ({"core_loss": 1e-5, "remanence": 1e-3}, "remanence: says the same as core_loss; give one of"),
    ],
)
def test_figures_that_no_core_has(changed, told):
    with pytest.raises(CoreMisfit) as refusal:
        core_of({**FIGURES, **changed}, "magnetising")
    assert str(refusal.value).startswith(told)
