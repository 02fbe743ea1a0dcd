"""``fetsim measure distortion``: harmonics, intermodulation, THD+N, and a trim's null."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import (
    CsvOption,
    JsonOption,
    PlotOption,
    VersionOption,
    chosen_versions,
    destination,
    document,
    measured_versions,
    numbers,
    tell_unmeasured,
    unit_files,
)
from fetsim.cli.options import ChangeOption, ForceOption, LoadOption, QualityOption, UnitOption
from fetsim.errors import InputError
from fetsim.measurements.distortion.procedure import measure_distortion
from fetsim.measurements.distortion.trim_null import DEFAULT_REDUCTION_DB, SPAN, STEPS, measure_trim_null
from fetsim.report.distortion.picture import draw_distortion, draw_null
from fetsim.report.distortion.text import distortion_page, distortion_rows, null_page, null_rows


def distortion(
    unit: UnitOption = "dunlin",
    change: ChangeOption = None,
    version: VersionOption = None,
    load: LoadOption = None,
    quality: QualityOption = "standard",
    level: Annotated[
        str | None,
        typer.Option(
            "--level", "-l", metavar="DBU",
            help="levels at the source, FROM:TO:STEP or with commas (default: -20:24:4)"),
    ] = None,
    reduction: Annotated[
        str | None,
        typer.Option("--reduction", "-r", metavar="DB",
            help="instead: gain reductions; the levels that give them are looked "
                     "for at 1 kHz"),
    ] = None,
    frequency: Annotated[
        str, typer.Option("--frequency", metavar="HZ", help="of the sine, with commas between")
    ] = "1000",
    two_tones: Annotated[
        bool, typer.Option("--two-tones/--no-two-tones", help="intermodulation at every level")
    ] = True,
    noise: Annotated[bool, typer.Option("--noise/--no-noise", help="THD+N at every level")] = True,
    null: Annotated[
        str | None,
        typer.Option("--null", metavar="NAME", help="instead: sweep this part (R4), figure or control and find the "
                     "least second harmonic, at the first --level or --reduction (default: 10 dB of reduction)"),
    ] = None,
    span: Annotated[
        float, typer.Option("--span", metavar="%", help="with --null: sweep so far either way")
    ] = 100.0 * SPAN,
    steps: Annotated[int, typer.Option("--steps", metavar="N", help="with --null: values in the sweep")] = STEPS,
    json_to: JsonOption = None,
    csv_to: CsvOption = None,
    plot_to: PlotOption = None,
    force: ForceOption = False,
) -> None:  # fmt: skip
    """THD with both references, harmonics to the 10th, intermodulation, THD+N; or the null of a trim.

    \b
    fetsim measure distortion --reduction 5,10,20 --plot thd.svg
    fetsim measure distortion --level 0 --frequency 20,50,100,1000,10000 --no-noise
    fetsim measure distortion --null R4 --span 20 --plot null.svg
    fetsim measure distortion -v 'as it is:' -v 'without R4: R4=1000M' --level -8:16:4
    """
    versions = chosen_versions(unit, change, load, version)
    if level is not None and reduction is not None:
        raise InputError("--level, --reduction: give one of the two")
    levels_dbu = None if level is None else numbers(level, "--level")
    reductions_db = None if reduction is None else numbers(reduction, "--reduction")
    frequencies_hz = numbers(frequency, "--frequency")
    with destination(json_to, csv_to, plot_to, force, unit_files(versions)) as write:
        if null is not None:
            nulls, problems = measured_versions(
                versions,
                lambda one, told: measure_trim_null(
                    one, null, span=span / 100.0, steps=steps, level_dbu=None if levels_dbu is None else levels_dbu[0],
                    reduction_db=DEFAULT_REDUCTION_DB if reductions_db is None else reductions_db[0],
                    frequency_hz=frequencies_hz[0], quality=quality, progress=told,
                ),
            )  # fmt: skip
            first = next(iter(nulls.values()))
            title = f"{first.unit}: second harmonic against {first.trimmed}, {first.frequency_hz:.6g} Hz"
            results = {label: one.to_dict() for label, one in nulls.items()}
            write(
                document("trim null", quality, versions, results, problems), null_rows(nulls),
                lambda: draw_null(nulls, title),
            )  # fmt: skip
            typer.echo(null_page(nulls))
            tell_unmeasured(problems)
            return
        measured, problems = measured_versions(
            versions,
            lambda one, told: measure_distortion(
                one, levels_dbu=levels_dbu, reductions_db=reductions_db, frequencies_hz=frequencies_hz,
                two_tones=two_tones, with_noise=noise, quality=quality, progress=told,
            ),
        )  # fmt: skip
        results = {label: one.to_dict() for label, one in measured.items()}
        title = f"{next(iter(measured.values())).unit}: distortion"
        write(
            document("distortion", quality, versions, results, problems), distortion_rows(measured),
            lambda: draw_distortion(measured, title),
        )  # fmt: skip
    typer.echo(distortion_page(measured))
    tell_unmeasured(problems)
