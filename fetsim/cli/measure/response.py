"""``fetsim measure response``: small-signal response at rest, held at a gain reduction, or with the loop closed."""

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
    words,
)
from fetsim.cli.options import ChangeOption, ForceOption, LoadOption, QualityOption, UnitOption
from fetsim.measurements.response.procedure import HIGH_HZ, LOW_HZ, PER_OCTAVE, measure_response
from fetsim.report.response.text import named_responses, response_page, response_rows


def response(
    unit: UnitOption = "dunlin",
    change: ChangeOption = None,
    version: VersionOption = None,
    load: LoadOption = None,
    quality: QualityOption = "standard",
    at: Annotated[
        str, typer.Option("--at", metavar="POINTS", help="nodes or probes such as 'preamp, dr', input or output")
    ] = "output",
    reduction: Annotated[
        str | None,
        typer.Option("--reduction", "-r", metavar="DB", help="hold the control voltage at these gain reductions, loop "
                     "open, such as '0, 10, 20' (0: at rest)"),
    ] = None,
    level: Annotated[
        str | None,
        typer.Option("--level", "-l", metavar="DBU",
            help="sweep with the loop closed at these levels at the source, such as "
                     "'-10, 10'"),
    ] = None,
    low: Annotated[float, typer.Option("--from", metavar="HZ", help="lowest frequency")] = LOW_HZ,
    high: Annotated[float, typer.Option("--to", metavar="HZ", help="highest frequency")] = HIGH_HZ,
    per_octave: Annotated[
        int, typer.Option("--per-octave", metavar="N", help="frequencies an octave")
    ] = PER_OCTAVE,
    check: Annotated[
        bool, typer.Option("--check", help="play small tones through the circuit in time and compare")
    ] = False,
    json_to: JsonOption = None,
    csv_to: CsvOption = None,
    plot_to: PlotOption = None,
    force: ForceOption = False,
) -> None:  # fmt: skip
    """Gain, phase, group delay and gain reduction against frequency, at any node.

    \b
    fetsim measure response --plot response.svg
    fetsim measure response --reduction '0, 10, 20' --level 0 --plot reduced.svg
    fetsim measure response --at 'dr, preamp' --check
    fetsim measure response -v 'as it is:' -v 'small coupling: C2=100n' --plot coupling.png
    """
    versions = chosen_versions(unit, change, load, version)
    reductions_db = numbers(reduction, "--reduction") if reduction is not None else [] if level is not None else [0.0]
    levels_dbu = [] if level is None else numbers(level, "--level")
    with destination(json_to, csv_to, plot_to, force, unit_files(versions)) as write:
        measured, problems = measured_versions(
            versions,
            lambda one, told: measure_response(
                one, points=words(at) or [], reductions_db=reductions_db, levels_dbu=levels_dbu, low_hz=low,
                high_hz=high, per_octave=per_octave, check=check, quality=quality,
            ),
        )  # fmt: skip

        def draw():  # type: ignore[no-untyped-def]
            from fetsim.report.response.picture import draw_responses

            return draw_responses(named_responses(measured), f"{next(iter(measured.values())).unit}: response")

        results = {label: one.to_dict() for label, one in measured.items()}
        write(document("response", quality, versions, results, problems), response_rows(measured), draw)
    typer.echo(response_page(measured))
    tell_unmeasured(problems)
