"""What is left out of a build that may be broken, and that nothing else of it changes."""

from dataclasses import replace

import pytest

from fetsim import load_unit
from fetsim.studies.builds.asked import figures_named
from fetsim.studies.builds.figures import figures_of
from fetsim.studies.builds.nominal import Nominal, Start, nominal_of
from fetsim.studies.builds.patience import Patience

FIGURES = ("gain", "reduction@-6", "threshold", "attack", "release")


@pytest.fixture(scope="module")
def waiting() -> Nominal:
    unit = load_unit("teaching")
    return nominal_of(unit, figures_named(FIGURES, unit), quality="draft", curve_hz=1000.0, step_hz=5000.0,
                      before_dbu=-26.0, level_dbu=-6.0)  # fmt: skip


@pytest.fixture(scope="module")
def patient(waiting: Nominal) -> Nominal:
    return replace(waiting, patience=Patience(settling_s=3.0, step_s=0.4, least_gain_db=-40.0))


def test_what_comes_in_time_is_the_same(waiting: Nominal, patient: Nominal) -> None:
    unit = waiting.unit.changed(C2="270n")
    assert figures_of(unit, patient).found == figures_of(unit, waiting).found


def test_a_release_that_takes_longer_is_told_as_such(patient: Nominal) -> None:
    """1 Mohm into 1.5 uF: 63 % takes some half a second."""
    found = figures_of(patient.unit.changed(C2="1.5u"), patient)
    assert found.reasons == {"release": "over 0.4 s"}


def test_without_gain_reduction_or_sound_nothing_else_is_played(patient: Nominal) -> None:
    flat = figures_of(patient.unit.changed(D1="open"), patient)
    assert abs(flat.found["reduction@-6"]) < 0.1  # what the FET's own curve does to the tone
    assert set(flat.reasons) == {"threshold", "attack", "release"}
    assert all(text.startswith("no gain reduction: 0.0") for text in flat.reasons.values())
    dead = figures_of(patient.unit.changed(A1="dead"), patient)
    assert set(dead.found) == {"gain"}
    assert all(text.startswith("no sound to measure by") for text in dead.reasons.values())


def test_what_never_settles_is_asked_once(patient: Nominal) -> None:
    hasty = replace(
        patient, patience=Patience(settling_s=1e-3, step_s=0.4, least_gain_db=-40.0),
        tones={level: Start(start.state, None) for level, start in patient.tones.items()},
    )  # fmt: skip
    found = figures_of(patient.unit.changed(C2="1.5u"), hasty)
    assert set(found.found) == {"gain"}
    assert len(set(found.reasons.values())) == 1
    assert "steady state" in found.reasons["release"]
