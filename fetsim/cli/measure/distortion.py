"""``fetsim measure distortion``: harmonics, intermodulation, THD+N, and the null of a trim."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.numbers import numbers
from fetsim.cli.options import AgainstOption, FigureFiles, MeasuredOptions
from fetsim.errors import InputError
from fetsim.measurements.distortion.procedure import measure_distortion
from fetsim.measurements.trim_null.procedure import DEFAULT_REDUCTION_DB, SPAN, STEPS, measure_trim_null
from fetsim.rig.gain_cell import reference_named


def distortion(
    chosen: MeasuredOptions,
    files: FigureFiles,
    level: Annotated[
        str | None,
        typer.Option("--level", "-l", metavar="DBU", help="levels at the source, FROM:TO:STEP or with commas "
                     "(default: -20:24:4)"),
    ] = None,
    reduction: Annotated[
        str | None,
        typer.Option("--reduction", "-r", metavar="DB", help="instead: amounts of gain reduction; the levels at which "
                     "the unit has them at 1 kHz are looked for"),
    ] = None,
    frequency: Annotated[
        str, typer.Option("--frequency", metavar="HZ", help="of the sine, with commas between")
    ] = "1000",
    against: AgainstOption = "idle",
    two_tones: Annotated[
        bool, typer.Option("--two-tones/--no-two-tones", help="intermodulation at every level")
    ] = True,
    noise: Annotated[bool, typer.Option("--noise/--no-noise", help="THD+N at every level")] = True,
    null: Annotated[
        str | None,
        typer.Option("--null", metavar="NAME", help="instead: sweep this part (R4), figure or control and find where "
                     "the second harmonic is least, at the first --level or --reduction (default: 10 dB of reduction)"),
    ] = None,
    span: Annotated[
        float, typer.Option("--span", metavar="%", help="with --null: sweep so far either way")
    ] = 100.0 * SPAN,
    steps: Annotated[int, typer.Option("--steps", metavar="N", help="with --null: values in the sweep")] = STEPS,
) -> None:  # fmt: skip
    """THD with both references, harmonics to the 10th, intermodulation, THD+N; or the null of a trim.

    \b
    fetsim measure distortion --reduction 5,10,20 --plot thd.svg
    fetsim measure distortion --level -20:20:5 --frequency 100,1000 --no-noise
    fetsim measure distortion --null R4 --span 20 --plot null.svg
    fetsim measure distortion -v 'as it is:' -v 'without R4: R4=1000M' --level -8:16:4
    """
    if level is not None and reduction is not None:
        raise InputError("--level, --reduction: give one of the two")
    levels_dbu = None if level is None else numbers(level, "--level")
    reductions_db = None if reduction is None else numbers(reduction, "--reduction")
    frequencies_hz, reference = numbers(frequency, "--frequency"), reference_named(against)
    if null is not None:
        measure_and_tell(
            chosen, files,
            lambda unit, told: measure_trim_null(
                unit, null, span=span / 100.0, steps=steps, level_dbu=None if levels_dbu is None else levels_dbu[0],
                reduction_db=DEFAULT_REDUCTION_DB if reductions_db is None else reductions_db[0],
                frequency_hz=frequencies_hz[0], against=reference, quality=chosen.quality, progress=told,
            ),
        )  # fmt: skip
        return
    measure_and_tell(
        chosen, files,
        lambda unit, told: measure_distortion(
            unit, levels_dbu=levels_dbu, reductions_db=reductions_db, frequencies_hz=frequencies_hz,
            two_tones=two_tones, with_noise=noise, against=reference, quality=chosen.quality, progress=told,
        ),
    )  # fmt: skip
