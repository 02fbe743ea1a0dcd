"""What is said claims no more than the probabilities hold."""

from dataclasses import replace

import numpy as np

from fetsim.studies.suspects.record import HeardBefore, NextReading, Suspect, SuspectGroup
from fetsim.studies.suspects.words import against, verdict_of


def group(**chances: float) -> SuspectGroup:
    return SuspectGroup(suspects=tuple(
        Suspect(name=name, parts=tuple(name.split("_")), words="", probability=chance, log_evidence=0.0, played=True)
        for name, chance in chances.items()
    ))  # fmt: skip


def left(after_db: float, before_db: float, noise_db: float = -60.0) -> HeardBefore:
    none = np.zeros(0)
    return HeardBefore(
        name="wet.wav", noise_db=noise_db, before_db=before_db, after_db=after_db, time_s=none, before_time_db=none,
        after_time_db=none, band_hz=none, before_band_db=none, after_band_db=none, noise_band_db=none, window_s=none,
        gain_db=none, in_db=none, out_db=none,
    )  # fmt: skip


NEXT = NextReading(
    name="volts@ctl", figure="volts@ctl", settings={}, bits=0.8, expected=(), unit="V", splits=("C16", "P4"),
    apart_sigmas=3.0, short="the volts at ctl", how="", line="",
)  # fmt: skip


def test_a_group_is_told_as_one_with_what_splits_it() -> None:
    said = verdict_of(False, 0.0, [group(C16=0.6, P4=0.39)], [NEXT], recorded=True)
    assert said == "C16 or P4; read the volts at ctl next."


def test_what_is_decided_asks_for_nothing_more_and_pairs_beside_it_are_not_named() -> None:
    said = verdict_of(False, 0.0, [group(C16=0.96, C16_R6=0.02)], [], recorded=True)
    assert said == "C16 (98 %); nothing is gained by another reading."


def test_what_was_not_played_where_it_stands_is_not_called_certain() -> None:
    first = SuspectGroup(suspects=(replace(group(V2=0.999).suspects[0], played=False),))
    said = verdict_of(False, 0.0, [first], [], recorded=True)
    assert said == "Probably V2 (over 99 %, estimated, not played); no reading that could be taken tells more."


def test_a_reading_that_tolerances_do_not_explain_is_not_said_to_be_explained() -> None:
    said = verdict_of(True, 0.4, [group(R1=0.5)], [NEXT], contradicted=True)
    assert said == "Neither tolerances nor a suspect explain all that was read; read the volts at ctl next."


def test_one_part_in_two_groups_is_one_part() -> None:
    """A supply that is low, and the fault of being low by 20 %: nothing is in doubt about the part."""
    assert verdict_of(False, 0.0, [group(V1=0.88), group(V1=0.119)], [], recorded=True).startswith("V1 (over 99 %);")


def test_what_is_not_decided_is_said_to_be_so() -> None:
    said = verdict_of(False, 0.01, [group(R1=0.4), group(R8=0.3)], [], recorded=True)
    assert said.startswith("Not decided: R1 or R8; the first has 40 %")
    assert "no reading that could be taken tells more" in said and "read the" not in said
    said = verdict_of(False, 0.01, [group(R1=0.7), group(R8=0.2)], [])
    assert said.startswith("Probably R1 (70 %)") and "record it too" in said


def test_what_tolerances_explain_is_not_called_a_fault() -> None:
    said = verdict_of(True, 0.4, [group(R1=0.5)], [], recorded=True)
    assert "R1" not in said and "nothing wrong: 40 %" in said


def test_what_is_more_probable_than_health_but_not_enough_is_suspected_and_not_accused() -> None:
    said = verdict_of(True, 0.05, [group(P1=0.6, C92=0.33)], [], recorded=True)
    assert said.startswith("Not accused, but suspected: P1 or C92 (93 %; nothing wrong: 5 %)")
    assert verdict_of(True, 0.05, [group(P1=0.3)], [], recorded=True).startswith("Nothing is seen")


def test_what_no_suspect_explains_is_not_said_to_be_nothing() -> None:
    said = verdict_of(True, 0.1, [group(R1=0.5)], [NEXT], [left(-8.0, -9.0)], recorded=True)
    assert said.startswith("No suspect explains the recording, of which -8 dB are left") and "the volts at ctl" in said
    said = verdict_of(True, 0.4, [group(R1=0.5)], [], [left(-50.0, -55.0, -52.0)], recorded=True)
    assert said.startswith("Nothing is seen")


def test_a_suspect_that_leaves_nearly_all_is_not_named_whatever_its_probability() -> None:
    said = verdict_of(False, 0.0, [group(J1=1.0)], [], [left(-21.6, -17.1)], recorded=True)
    assert said.startswith("No suspect explains the recording, of which -22 dB are left at best, with J1")
    assert verdict_of(False, 0.0, [group(J1=1.0)], [], [left(-44.0, -17.1)], recorded=True).startswith("J1 (over 99 %)")
    assert verdict_of(False, 0.0, [group(J1=1.0)], [], [left(-55.0, -57.0)], recorded=True).startswith("J1 (over 99 %)")


def test_a_reading_that_speaks_against_the_first_suspect_is_told() -> None:
    rows = [("volts@vb", -5.0, 0.05, -5.0, -4.346, "V"), ("volts@g", -5.0, 0.05, -5.0, -4.95, "V")]
    assert against("V2 and R4", rows) == [
        "volts@vb: V2 and R4 would make it -4.346 V, and -5 V was read, 13 standard deviations off"
    ]
    said = verdict_of(False, 0.0, [group(V2_R4=1.0)], [], recorded=True, contradicted=True)
    assert said.startswith("No suspect explains all that was read; V2 with R4 comes nearest; no reading")
