"""Everything that can go wrong on purpose: one root error and its kinds.

The command line turns any of these into lines on standard error and exit status 2, or 1 where there are results too.
"""


class FetsimError(Exception):
    """Root of every error that fetsim raises on purpose; its text is one clear line (or one per mistake)."""


class InputError(FetsimError):
    """A file, an option or a number from outside is unusable."""


class UnitError(FetsimError):
    """A unit, a part change or a device sheet is wrong; the text lists every mistake found."""


class ConvergenceError(FetsimError):
    """The solver found no solution; the text says when and around which part."""


class PartlyDone(FetsimError):
    """Some of what was asked for could not be had, and the rest is there; the text says what is missing and why."""
