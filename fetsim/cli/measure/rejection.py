"""``fetsim measure rejection``: common-mode rejection of a balanced input."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.numbers import band_hz, numbers
from fetsim.cli.options import FigureFiles, MeasuredOptions
from fetsim.measurements.bench.frequencies import HIGH_HZ, LOW_HZ, PER_OCTAVE
from fetsim.measurements.rejection.procedure import DEFAULT_IMBALANCES_OHM, measure_rejection

IMBALANCES = ", ".join(f"{ohm:g}" for ohm in DEFAULT_IMBALANCES_OHM)


def rejection(
    chosen: MeasuredOptions,
    files: FigureFiles,
    at: Annotated[str, typer.Option("--at", metavar="POINT", help="a node or a probe, or output")] = "output",
    imbalance: Annotated[
        str,
        typer.Option("--imbalance", metavar="OHM", help="more resistance in one leg of the source, such as '0, 10': "
                     "each leg has it in turn, and the worse one is told"),
    ] = IMBALANCES,
    band: Annotated[
        str, typer.Option("--band", metavar="FROM:TO", help="lowest and highest frequency in Hz")
    ] = f"{LOW_HZ:g}:{HIGH_HZ:g}",
    per_octave: Annotated[int, typer.Option("--per-octave", metavar="N", help="frequencies an octave")] = PER_OCTAVE,
) -> None:  # fmt: skip
    """Common-mode rejection of a balanced input against frequency, as drawn and in the worst case of the tolerances.

    \b
    fetsim measure rejection --unit greenshank --plot rejection.svg
    fetsim measure rejection --unit greenshank -v '1 %:' -v '0.1 %: R1.tolerance=0.1%, R2.tolerance=0.1%'
    """
    ohms = numbers(imbalance, "--imbalance", low=0.0)
    low_hz, high_hz = band_hz(band)
    measure_and_tell(
        chosen, files,
        lambda unit, told: measure_rejection(
            unit, point=at.strip(), imbalances_ohm=ohms, low_hz=low_hz, high_hz=high_hz, per_octave=per_octave,
            quality=chosen.quality,
        ),
        plays=False,
    )  # fmt: skip
