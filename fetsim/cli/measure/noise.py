"""``fetsim measure noise``: noise of the parts at the output, and the dynamic range."""

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
from fetsim.measurements.noise.procedure import measure_noise
from fetsim.report.noise.text import named_states, noise_page, noise_rows


def noise(
    unit: UnitOption = "dunlin",
    change: ChangeOption = None,
    version: VersionOption = None,
    load: LoadOption = None,
    quality: QualityOption = "standard",
    at: Annotated[str, typer.Option("--at", metavar="POINT", help="node or probe, input or output")] = "output",
    reduction: Annotated[
        str,
        typer.Option("--reduction", "-r", metavar="DB", help="gain reductions at which the control voltage is held, "
                     "such as '0, 10, 20' (0: at rest)"),
    ] = "0",
    json_to: JsonOption = None,
    csv_to: CsvOption = None,
    plot_to: PlotOption = None,
    force: ForceOption = False,
) -> None:  # fmt: skip
    """Unweighted, A- and 468-weighted noise, dynamic range, and the parts that make the most of it.

    \b
    fetsim measure noise --reduction '0, 10, 20' --plot noise.svg
    fetsim measure noise -v 'as it is:' -v 'lower divider: R2=2k2' --json noise.json
    """
    versions = chosen_versions(unit, change, load, version)
    reductions_db = numbers(reduction, "--reduction")
    with destination(json_to, csv_to, plot_to, force, unit_files(versions)) as write:
        measured, problems = measured_versions(
            versions, lambda one, told: measure_noise(one, point=at, reductions_db=reductions_db, quality=quality)
        )

        def draw():  # type: ignore[no-untyped-def]
            from fetsim.report.noise.picture import draw_noise

            return draw_noise(named_states(measured), f"{next(iter(measured.values())).unit}: noise at {at}")

        results = {label: one.to_dict() for label, one in measured.items()}
        write(document("noise", quality, versions, results, problems), noise_rows(measured), draw)
    typer.echo(noise_page(measured))
    tell_unmeasured(problems)
