"""``fetsim measure response``: small-signal response at rest, held at a gain reduction, or with the loop closed."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.numbers import band_hz, numbers, words
from fetsim.cli.options import FigureFiles, MeasuredOptions
from fetsim.engine.circuit import PROGRAM
from fetsim.measurements.bench.frequencies import HIGH_HZ, LOW_HZ, PER_OCTAVE
from fetsim.measurements.response.procedure import measure_response


def response(
    chosen: MeasuredOptions,
    files: FigureFiles,
    at: Annotated[
        str, typer.Option("--at", metavar="POINTS", help="nodes or probes such as 'preamp, dr', input or output")
    ] = "output",
    source: Annotated[
        str, typer.Option("--from", metavar="NAME", help="the input that it is measured from, as key, where the unit "
                          "has others than the program's")
    ] = PROGRAM,
    reduction: Annotated[
        str | None,
        typer.Option("--reduction", "-r", metavar="DB", help="amounts of gain reduction, such as '0, 10, 20' (0: at "
                     "rest); each is held by a fixed control voltage, with the loop open"),
    ] = None,
    level: Annotated[
        str | None,
        typer.Option("--level", "-l", metavar="DBU", help="levels at the source, such as '-10, 10': a sweep of tones "
                     "with the loop closed"),
    ] = None,
    band: Annotated[
        str, typer.Option("--band", metavar="FROM:TO", help="lowest and highest frequency in Hz")
    ] = f"{LOW_HZ:g}:{HIGH_HZ:g}",
    per_octave: Annotated[
        int, typer.Option("--per-octave", metavar="N", help="frequencies an octave")
    ] = PER_OCTAVE,
    check: Annotated[
        bool, typer.Option("--check", help="play small tones through the circuit in time and compare")
    ] = False,
) -> None:  # fmt: skip
    """Gain, phase, group delay and gain reduction against frequency, at any node.

    \b
    fetsim measure response --plot response.svg
    fetsim measure response --reduction '0, 10, 20' --level 0 --plot reduced.svg
    fetsim measure response --at 'dr, preamp' --band 20:20000 --check
    fetsim measure response --unit ducker.toml --from key
    fetsim measure response -v 'as it is:' -v 'small coupling: C2=100n' --plot coupling.png
    """
    reductions_db = numbers(reduction, "--reduction") if reduction is not None else [] if level is not None else [0.0]
    levels_dbu = [] if level is None else numbers(level, "--level")
    low_hz, high_hz = band_hz(band)
    points = words(at, "--at") or []

    measure_and_tell(
        chosen, files,
        lambda unit, told: measure_response(
            unit, points=points, reductions_db=reductions_db, levels_dbu=levels_dbu, low_hz=low_hz, high_hz=high_hz,
            per_octave=per_octave, check=check, source=source, quality=chosen.quality,
        ),
        plays=check or bool(levels_dbu),
    )  # fmt: skip
