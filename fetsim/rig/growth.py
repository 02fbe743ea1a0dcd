"""What is said of a unit that does not stay at rest."""

from fetsim.engine.modes import GrowingMode


def growth_in_words(mode: GrowingMode) -> str:
    """That it grows, how fast and where."""
    what = "a disturbance" if mode.frequency_hz == 0.0 else f"an oscillation at {_amount(mode.frequency_hz)}Hz"
    return (
        f"unstable at rest: {what} grows with a time constant of {_amount(mode.time_constant_s)}s around "
        f"{mode.element.partition('.')[0]}; it oscillates or latches, figures and sound are not to be trusted"
    )


def _amount(value: float) -> str:
    """Three figures and a prefix, ready for a unit."""
    prefixes = {1e6: "M", 1e3: "k", 1.0: "", 1e-3: "m", 1e-6: "u", 1e-9: "n", 1e-12: "p"}
    factor = next((factor for factor in prefixes if value >= factor), 1e-12)
    return f"{value / factor:.3g} {prefixes[factor]}"
