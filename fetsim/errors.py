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
    """The solver found no solution; the text says when and around which part.

    It reads ``place: problem; advice``, or, where the cause is known, ``cause; place: problem``.
    """

    def __init__(self, problem: str, *, advice: str = "", cause: str = "") -> None:
        super().__init__("; ".join(part for part in (cause, problem, "" if cause else advice) if part))
        self.problem, self.advice, self.cause = problem, advice, cause

    def at(self, place: str) -> "ConvergenceError":
        """The same with the place where it came about."""
        return ConvergenceError(f"{place}: {self.problem}", advice=self.advice, cause=self.cause)

    def because(self, cause: str) -> "ConvergenceError":
        """The same with its cause in front, in place of advice."""
        return ConvergenceError(self.problem, advice=self.advice, cause=cause)


class PartlyDone(FetsimError):
    """Some of what was asked for could not be had, and the rest is there; the text says what is missing and why."""
