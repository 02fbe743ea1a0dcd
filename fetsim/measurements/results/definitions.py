"""What a figure means and where that meaning comes from.

Standards are named as the habit that a figure follows. None of them was read for this program, so nothing here claims
compliance with one; the status says how the wording came here.
"""

from dataclasses import dataclass

OWN, PRACTICE, MEMORY, SECOND_HAND, LAW = "own", "common practice", "from memory", "second-hand", "physics"
STATUSES = {
    OWN: "a definition of this program's own",
    PRACTICE: "common practice of the trade, no source",
    MEMORY: "after the named standard, written down from memory",
    SECOND_HAND: "after the named standard, as another page quotes it",
    LAW: "follows from the circuit by textbook laws",
}
NO_PAPER = "-"


@dataclass(frozen=True, kw_only=True)
class Definition:
    """One term. Figures in ``meaning`` come from the constants that the analysis uses."""

    term: str
    meaning: str
    source: str = NO_PAPER
    status: str
    """One of ``STATUSES``."""


LEVELS = Definition(
    term="level (dBu)",
    meaning="rms level re 0.7746 V; at the source it is that of the source without load, as a generator's dial says",
    source="0 dBu: 1 mW in 600 ohm",
    status=LAW,
)
REDUCTION = Definition(
    term="gain reduction",
    meaning="how much lower the gain is than at rest; in the FET's divider, from the conductance of its channel at "
    "every instant, or of the fundamental at the output where that is said",
    status=OWN,
)
