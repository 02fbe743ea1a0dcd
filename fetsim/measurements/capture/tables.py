"""What a recorded pair comes to, as tables and definitions."""

from collections.abc import Mapping

from fetsim.measurements.capture.procedure import CapturedStep, CaptureTiming
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import OWN, Definition
from fetsim.measurements.results.formats import fixed, seconds
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.measurements.timing.procedure import FIGURES
from fetsim.measurements.timing.tables import DEFINITIONS, NAMES

KINDS = {"attack": "attack", "release": "release", "none": "step without gain reduction"}
GAIN = fixed(2)
READINGS = (
    Column(key="pair", heading="pair"),
    Column(key="step", heading="step"),
    Column(key="at_s", heading="at", unit="s", show=fixed(4), meaning="on the clock of the dry recording"),
    Column(key="from_db", heading="input from", unit="dB", show=fixed(1), meaning="rms, re 1 of the recording"),
    Column(key="to_db", heading="input to", unit="dB", show=fixed(1)),
    Column(key="gain_before_db", heading="gain before", unit="dB", show=GAIN),
    Column(key="gain_after_db", heading="gain after", unit="dB", show=GAIN),
    *(Column(key=figure, heading=NAMES[figure], show=seconds) for figure in FIGURES),
)


def account(measured: Mapping[str, CaptureTiming]) -> Account:
    """Names of the recordings -> what was found in them."""
    several = len(measured) > 1
    return Account(
        title="Attack and release of a recorded pair.",
        lead=tuple(text for label, one in measured.items() for text in _lead(label, one)),
        tables=(
            *(
                _step(number, label if several else "", step)
                for label, one in measured.items()
                for number, step in enumerate(one.steps, start=1)
            ),
            _readings(measured),
        ),
        definitions=(*DEFINITIONS, WINDOW),
    )


def _lead(label: str, one: CaptureTiming) -> list[str]:
    late = f"{seconds(abs(one.delay_s))} {'late' if one.delay_s >= 0.0 else 'early'}"
    turned = ", upside down (turned round)" if one.polarity < 0 else ""
    start = f"{label}: a" if label else "A"
    return [
        f"{start} tone of {one.frequency_hz:.6g} Hz at {one.rate_hz:g} Hz; what came out comes {late}, correlation "
        f"{one.correlation:.3f}{turned}.",
        *(f"Warning: {text}" for text in one.warnings),
    ]


def _step(number: int, pair: str, step: CapturedStep) -> Table:
    timing = step.timing
    rows: list[tuple[Cell, ...]] = [
        (words, timing.reasons.get(figure, getattr(timing, figure))) for figure, words in NAMES.items()
    ]
    gain = (
        [f"Gain {GAIN(timing.gain_before_db)} to {GAIN(timing.gain_after_db)} dB."]
        if timing.gain_before_db is not None and timing.gain_after_db is not None
        else []
    )
    return Table(
        key=f"step_{number}",
        title=f"{pair} step {number}: {KINDS[timing.kind]} at {step.at_s:.4f} s, input "
        f"{step.to_db - step.from_db:+.1f} dB".strip(),
        columns=(
            Column(key="figure", heading="from the step until"),
            Column(key="time_s", heading=KINDS[timing.kind], show=seconds),
        ),
        rows=rows,
        notes=(*gain, f"Gain read over windows of {seconds(step.window_s)}."),
    )


def _readings(measured: Mapping[str, CaptureTiming]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            label, step.timing.kind, step.at_s, step.from_db, step.to_db, step.timing.gain_before_db,
            step.timing.gain_after_db, *(getattr(step.timing, figure) for figure in FIGURES),
        )
        for label, one in measured.items()
        for step in one.steps
    ]  # fmt: skip
    return Table(
        key="readings", title="All readings", columns=READINGS, rows=rows, heads=2, detail=True, brief=frozenset()
    )


WINDOW = Definition(
    term="window",
    meaning="stretch over which the ratio of both recordings is read, halves to either side of the instant; times as "
    "short as that are smeared",
    status=OWN,
)
