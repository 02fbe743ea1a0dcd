"""What every figure of the page means, and where that meaning comes from.

Standards are named as the habit that a figure follows. None of them was read for this program, so nothing here claims
compliance with one; the status says how the wording came here.
"""

from fetsim.measurements.bench.clipping import DEFAULT_LIMITS
from fetsim.measurements.curve.analysis import BOTTOMED_RATIO
from fetsim.measurements.distortion.harmonics import AES17_BAND_HZ, AES17_FREQUENCY_HZ, NOTCH_Q
from fetsim.measurements.explain.figures import VISIBLE
from fetsim.measurements.idle.procedure import NEAR
from fetsim.report.pages.report.content import Definition

OWN, PRACTICE, MEMORY, SECOND_HAND, LAW = "own", "common practice", "from memory", "second-hand", "physics"
STATUSES = {
    OWN: "a definition of this program's own",
    PRACTICE: "common practice of the trade, no source",
    MEMORY: "after the named standard, written down from memory",
    SECOND_HAND: "after the named standard, as another page quotes it",
    LAW: "follows from the circuit by textbook laws",
}
NO_PAPER = "-"

LEVELS = Definition(
    "level (dBu)",
    "rms level re 0.7746 V; at the source it is that of the source without load, as a generator's dial says",
    "0 dBu: 1 mW in 600 ohm",
    LAW,
)
REDUCTION = Definition(
    "gain reduction",
    "how much lower the gain is than at rest; in the FET's divider, from the conductance of its channel at every "
    "instant, or of the fundamental at the output where that is said",
    NO_PAPER,
    OWN,
)

DEFINITIONS: dict[str, tuple[Definition, ...]] = {
    "idle": (
        Definition("at rest", "no signal, settled, one temperature for the whole unit", NO_PAPER, PRACTICE),
        Definition(
            "near a rating",
            f"more than {100.0 * NEAR:.0f} % of it; ratings as in the files, not derated with temperature",
            NO_PAPER,
            PRACTICE,
        ),
        Definition(
            "Kirchhoff's check",
            "part currents worked out one by one from the node voltages; the largest sum at a node",
            "Kirchhoff's current law",
            LAW,
        ),
    ),
    "explain": (
        REDUCTION,
        Definition(
            "63 %",
            "first passing of 1 - 1/e of the change between the last period before the burst and the last one of "
            "it: of the control in volts, of the gain reduction in dB",
            NO_PAPER,
            PRACTICE,
        ),
        Definition("half-cycle", "of the source's tone; the burst begins in the first", NO_PAPER, OWN),
        Definition(
            "ripple's worth",
            "gain that the control's ripple would make by the square law of the FET",
            NO_PAPER,
            LAW,
        ),
        Definition(
            "conducts",
            f"the channel's resistance comes under {VISIBLE:g} times the impedance that it works against, which "
            "takes 0.09 dB",
            NO_PAPER,
            OWN,
        ),
        Definition(
            "time constants",
            "of the one exponential or the two that fit the control after the burst",
            NO_PAPER,
            OWN,
        ),
    ),
    "curve": (
        LEVELS,
        Definition(
            "threshold, 0.5 dB",
            "input level at which the output's fundamental is 0.5 dB below the gain at rest",
            NO_PAPER,
            PRACTICE,
        ),
        Definition("threshold, 2 dB", "the same with 2 dB, the lower limit of gain control", "IEC 60118-2", MEMORY),
        Definition(
            "local ratio",
            "rise of the input over rise of the output between neighbouring levels, dB per dB; a curve, so it is "
            "told with its level",
            NO_PAPER,
            PRACTICE,
        ),
        Definition(
            "bottoms out",
            f"level from which on the local ratio stays under {BOTTOMED_RATIO:g}: the channel can close no further",
            NO_PAPER,
            OWN,
        ),
        Definition(
            "equal settings",
            "switch settings whose curves stay within 0.25 dB at levels 6 dB apart",
            NO_PAPER,
            OWN,
        ),
    ),
    "timing": (
        LEVELS,
        Definition(
            "63 %, 90 %, 10 to 90 %",
            "shares of the whole change of gain in dB, from the step",
            NO_PAPER,
            PRACTICE,
        ),
        Definition("within 2 dB", "from the step until the output stays that near to its end", "IEC 60118-2", MEMORY),
        Definition(
            "within 3 dB",
            "the same for an attack; the standard's own step levels are not used",
            "ANSI S3.22",
            MEMORY,
        ),
        Definition(
            "within 4 dB",
            "the same for a release; the standard's own step levels are not used",
            "ANSI S3.22-1996",
            SECOND_HAND,
        ),
        Definition(
            "time constant",
            "of the exponential fitted to the trace in dB from a tenth of the change on; a second one where the "
            "trace calls for it",
            NO_PAPER,
            OWN,
        ),
        Definition("least to most", "over the phase of the tone at which the step falls", NO_PAPER, OWN),
    ),
    "distortion": (
        LEVELS,
        REDUCTION,
        Definition("THD to H1", "rms of harmonics 2 to 10 over the fundamental", NO_PAPER, PRACTICE),
        Definition("THD to the whole", "over the rms of fundamental and harmonics together", "IEC 60268-3", MEMORY),
        Definition(
            "SMPTE",
            "60 Hz and 7 kHz, 4:1; second- and third-order side tones over the high tone, root of the sum of "
            "squares",
            "SMPTE, by a vendor's page on IMD; sums after IEC 60268-3 from memory",
            SECOND_HAND,
        ),
        Definition(
            "difference tone",
            "19 and 20 kHz, 1:1, second- and third-order products over the sum of both tones",
            "tones by a vendor's page on IMD; sums after IEC 60268-3 from memory",
            SECOND_HAND,
        ),
        Definition(
            "THD+N",
            f"{AES17_FREQUENCY_HZ:g} Hz, notch of Q {NOTCH_Q:g}, {AES17_BAND_HZ / 1000:g} kHz, over the whole; the "
            "unit's noise is calculated and added as power",
            "AES17",
            MEMORY,
        ),
    ),
    "response": (
        Definition("gain", "voltage at the point over the voltage of the source without load", NO_PAPER, PRACTICE),
        Definition(
            "held",
            "the control node stands still at the voltage that gives the stated gain reduction at the output at 1 "
            "kHz, and the loop is open",
            NO_PAPER,
            OWN,
        ),
        Definition(
            "corner",
            "where the gain is 3 dB below that at 1 kHz, sought from 0.01 Hz to 10 MHz",
            NO_PAPER,
            PRACTICE,
        ),
    ),
    "levels": (
        LEVELS,
        Definition(
            "nominal",
            "a steady 1 kHz tone with the loop at work, at the output of each stage",
            NO_PAPER,
            PRACTICE,
        ),
        Definition("alignment level", "1 kHz at 0 dBu from the source", "ITU-R BS.645-2", SECOND_HAND),
        Definition(
            "clips",
            f"{100.0 * DEFAULT_LIMITS.thd:g} % of distortion or {DEFAULT_LIMITS.compression_db:g} dB of compression "
            "that the stage itself adds, the sidechain without effect",
            NO_PAPER,
            PRACTICE,
        ),
        Definition("headroom", "clip level over nominal level", NO_PAPER, PRACTICE),
    ),
    "noise": (
        Definition(
            "noise",
            "rms from 20 Hz to 20 kHz, of all parts through the linearised circuit: 4kTR of resistors and of the "
            "source, of the FET's channel, 2qI of junctions; no 1/f noise, hum or supply noise",
            "Johnson and Nyquist 1928, Schottky 1918",
            LAW,
        ),
        Definition("A", "behind the A curve", "IEC 61672-1", MEMORY),
        Definition(
            "468",
            "behind the 468 curve, but with an rms meter: the recommendation's quasi-peak meter reads some decibels "
            "more",
            "ITU-R BS.468-4",
            MEMORY,
        ),
        Definition("dynamic range", "largest level before clipping over the noise", NO_PAPER, PRACTICE),
    ),
    "needle": (
        Definition(
            "needle",
            "moves like the standard volume indicator, 99 % of a step in 300 ms with 1.25 % overshoot, over a scale "
            "that is even in dB",
            "ANSI C16.5, IEC 60268-17",
            SECOND_HAND,
        ),
        REDUCTION,
    ),
}
