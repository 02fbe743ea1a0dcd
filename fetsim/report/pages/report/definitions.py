"""What the figures of the page mean that no account of a measurement defines yet, and where that meaning comes from."""

from fetsim.measurements.distortion.harmonics import AES17_BAND_HZ, AES17_FREQUENCY_HZ, NOTCH_Q
from fetsim.measurements.results.definitions import (
    LEVELS,
    MEMORY,
    OWN,
    PRACTICE,
    REDUCTION,
    SECOND_HAND,
    Definition,
)

DEFINITIONS: dict[str, tuple[Definition, ...]] = {
    "distortion": (
        LEVELS,
        REDUCTION,
        Definition(term="THD to H1", meaning="rms of harmonics 2 to 10 over the fundamental", status=PRACTICE),
        Definition(
            term="THD to the whole",
            meaning="over the rms of fundamental and harmonics together",
            source="IEC 60268-3",
            status=MEMORY,
        ),
        Definition(
            term="SMPTE",
            meaning="60 Hz and 7 kHz, 4:1; second- and third-order side tones over the high tone, root of the sum of "
            "squares",
            source="SMPTE, by a vendor's page on IMD; sums after IEC 60268-3 from memory",
            status=SECOND_HAND,
        ),
        Definition(
            term="difference tone",
            meaning="19 and 20 kHz, 1:1, second- and third-order products over the sum of both tones",
            source="tones by a vendor's page on IMD; sums after IEC 60268-3 from memory",
            status=SECOND_HAND,
        ),
        Definition(
            term="THD+N",
            meaning=f"{AES17_FREQUENCY_HZ:g} Hz, notch of Q {NOTCH_Q:g}, {AES17_BAND_HZ / 1000:g} kHz, over the "
            "whole; the unit's noise is calculated and added as power",
            source="AES17",
            status=MEMORY,
        ),
    ),
    "response": (
        Definition(
            term="gain", meaning="voltage at the point over the voltage of the source without load", status=PRACTICE
        ),
        Definition(
            term="held",
            meaning="the control node stands still at the voltage that gives the stated gain reduction at the output "
            "at 1 kHz, and the loop is open",
            status=OWN,
        ),
        Definition(
            term="corner",
            meaning="where the gain is 3 dB below that at 1 kHz, sought from 0.01 Hz to 10 MHz",
            status=PRACTICE,
        ),
    ),
    "needle": (
        Definition(
            term="needle",
            meaning="moves like the standard volume indicator, 99 % of a step in 300 ms with 1.25 % overshoot, over a "
            "scale that is even in dB",
            source="ANSI C16.5, IEC 60268-17",
            status=SECOND_HAND,
        ),
        REDUCTION,
    ),
}
