"""``fetsim spread``: what tolerances do to a unit."""

from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.build_options import BuildOptions, TrimsOptions
from fetsim.cli.measure.shared import destination, progress_bar
from fetsim.cli.numbers import numbers, words
from fetsim.cli.options import FigureFiles, MeasuredUnitOptions
from fetsim.cli.streams import complain
from fetsim.errors import InputError, PartlyDone
from fetsim.files.whole_folder import whole_folder
from fetsim.report.look.terminal import account_text
from fetsim.rig.runner import Progress
from fetsim.schematic.unit import Unit
from fetsim.schematic.values import parse_value
from fetsim.studies.builds.asked import DEFAULT_FIGURES, KINDS, figure_named, figures_named
from fetsim.studies.builds.nominal import MARCHED, check_figures
from fetsim.studies.spread.limits import limited, limits_of
from fetsim.studies.spread.readings import readings_of
from fetsim.studies.spread.results import SpreadFound
from fetsim.studies.spread.study import DEFAULT_BUILDS, DEFAULT_SEED
from fetsim.studies.spread.study import spread as spread_of_unit


def spread(
    chosen: MeasuredUnitOptions,
    measured: BuildOptions,
    alignment: TrimsOptions,
    files: FigureFiles,
    builds: Annotated[
        int, typer.Option("--builds", "-n", metavar="NUMBER", help="how many are drawn")
    ] = DEFAULT_BUILDS,
    seed: Annotated[
        int, typer.Option("--seed", metavar="NUMBER", help="of the draws: the same one gives the same builds")
    ] = DEFAULT_SEED,
    figures: Annotated[
        str, typer.Option("--figures", metavar="NAMES", help=f"what is measured of each: {', '.join(KINDS)}; with a "
                          "level in dBu or a node behind an @ where it takes one (reduction@4, ratio@4, volts@ctl)"),
    ] = ", ".join(DEFAULT_FIGURES),
    limit: Annotated[
        list[str] | None,
        typer.Option("--limit", metavar="NAME=LOW..HIGH", help="what a good build must meet, as threshold=-12..-9 or "
                     "release=..0.6s; repeat for more"),
    ] = None,
    reading: Annotated[
        list[str] | None,
        typer.Option("--reading", metavar="NAME=VALUE", help="what was read of a real unit, as threshold=-9.2: whether "
                     "tolerances come to that; repeat for more"),
    ] = None,
    curve: Annotated[
        str | None, typer.Option("--curve", metavar="DBU", help="gain reduction at levels, FROM:TO:STEP or a list"),
    ] = None,
    varying: Annotated[
        str | None, typer.Option("--varying", metavar="PARTS", help="these parts alone vary, as J1, C16")
    ] = None,
    law: Annotated[
        list[str] | None,
        typer.Option("--law", metavar="KIND=LAW", help="law of a kind of part, or of all: uniform, normal or hollow "
                     "(normal with the middle selected out); repeat for more"),
    ] = None,
    shares: Annotated[
        str | None,
        typer.Option("--shares", metavar="PARTS", help="shares of the variance of these parts, and of all others "
                     "together, by builds of their own: as many times --builds as there are parts, and three"),
    ] = None,
    moves: Annotated[
        str | None,
        typer.Option("--moves", metavar="PERCENT", help="what a change of each value alone does, by 1% say"),
    ] = None,
    whole: Annotated[
        bool, typer.Option("--whole", help="print what varies value by value, with its limits (--json has it always)")
    ] = False,
    plane: Annotated[
        str | None, typer.Option("--plane", metavar="NAME, NAME", help="two figures for a panel of --plot")
    ] = None,
    parts_plot: Annotated[
        Path | None, typer.Option("--parts-plot", metavar="FILE", help="picture of which parts are to blame")
    ] = None,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FOLDER", help="the extreme builds as unit files, to listen to")
    ] = None,
) -> None:  # fmt: skip
    """Draw builds of a unit from its tolerances, and tell percentiles, yield, and which part is to blame.

    \b
    fetsim spread --builds 1000 --limit threshold=-12..-9 --limit release=0.3s..0.4s --plot spread.svg
    fetsim spread --curve=-30:24:6 --figures 'reduction@4, ratio@4, thd@4' --to extremes
    fetsim spread --trims --reading threshold=-9.2
    fetsim spread --trims --shares 'J1, C16, P4' --moves 1% --parts-plot parts.svg

    Parts vary within their tolerance, devices within the limits of their sheet; what has neither is told. Builds that
    lack a figure are counted and meet no limit of it; where there are any, the exit status is 1. What is done is kept:
    the same command after Ctrl-C goes on from there and gives the same answer.
    """
    unit = chosen.chosen()
    pair = _pair(plane, unit)
    names = [*(words(figures, "--figures") or ()), *(pair or ())]
    others = [one.figure for one in limits_of(limit or (), unit)]
    others += [one.figure for one in readings_of(reading or (), unit)]
    asked = limited(figures_named(names, unit), others)
    check_figures(unit, asked)
    plays = curve is not None or any(one.group in MARCHED for one in asked)
    question = {
        "builds": builds, "seed": seed, "figures": names, "limits": limit or (), "readings": reading or (),
        "curve_dbu": [] if curve is None else numbers(curve, "--curve"), "only": words(varying, "--varying") or (),
        "laws": _laws(law or []), "shares": words(shares, "--shares") or (), "moves": _step(moves),
        **alignment.set_first(), **measured.asked(),
    }  # fmt: skip
    pictures = [] if parts_plot is None else [parts_plot]
    folder = nullcontext(None) if to is None else whole_folder(to, overwrite=None)
    with destination(files, unit.files, pictures) as write, folder as place, progress_bar(unit, plays=plays) as bar:
        with _kept(builds, bar) as progress:
            found = spread_of_unit(unit, progress=progress, **question)
        account = found.account(whole=whole)
        drawings = [lambda: found.plot(pair), *([found.plot_parts] if pictures else [])]
        write({"study": "spread", **found.to_dict(), **account.to_dict()}, account.records(), *drawings)
        if place is not None:
            _save_extremes(found, place)
    typer.echo(account_text(account))
    if to is not None:
        typer.echo(f"Builds to listen to: {to}, as in fetsim compare IN -v 'extreme: unit={to}/NAME.toml'")
    if found.failures:
        raise PartlyDone(f"{found.failures} of {builds} builds lack a figure; see what is told above the tables")


def _save_extremes(found: SpreadFound, folder: Path) -> None:
    for name, row in found.worst().items():
        found.build(row).changed(name=f"{found.unit.name}, build {row}: {name}").save(
            folder / f"{name.replace('@', '-at-')}.toml"
        )


@contextmanager
def _kept(builds: int, bar: Progress) -> Iterator[Progress]:
    """Says on Ctrl-C that what is done is kept."""
    done = 0.0

    def progress(share: float) -> None:
        nonlocal done
        done = share
        bar(share)

    try:
        yield progress
    except KeyboardInterrupt:
        if done > 0.0:
            complain(f"{100.0 * done:.0f} % is done and kept; the same command goes on from there")
        raise


def _laws(texts: list[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for text in texts:
        kind, sign, law = (word.strip() for word in text.partition("="))
        if not (kind and sign and law):
            raise InputError(f"--law: {text[:60]!r} is not KIND=LAW, such as capacitor=uniform or all=normal")
        if kind in found:
            raise InputError(f"--law: {kind[:40]} is given twice")
        found[kind] = law
    return found


def _step(text: str | None) -> float | None:
    """``1%``, or 0.01."""
    try:
        return None if text is None else parse_value(text, "share")
    except InputError as error:
        raise InputError(f"--moves: {error}") from None


def _pair(text: str | None, unit: Unit) -> tuple[str, str] | None:
    names = words(text, "--plane")
    if names is None:
        return None
    if len(names) != 2:
        raise InputError(f"--plane: {str(text)[:40]!r} are not two figures with a comma between")
    one, other = (figure_named(name, unit).key for name in names)
    return one, other
