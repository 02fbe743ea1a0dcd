"""Distortion, for the page, and the gain reductions at which small signals are looked at there."""


import numpy as np

from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.hold import hold
from fetsim.measurements.distortion.procedure import DistortionMeasurement, measure_distortion
from fetsim.report.distortion.picture import draw_distortion
from fetsim.report.distortion.text import percent
from fetsim.report.pages.report.content import Picture, Section, Table, level, number
from fetsim.report.pages.report.svg import inline_svg
from fetsim.rig.runner import Progress
from fetsim.schematic.unit import Unit

HELD_DB = (0.0, 10.0, 20.0)  # gain reductions at which small signals are looked at, where they can be had
SHOWN_HARMONICS = (2, 3, 4, 5)


def reductions_within_reach(unit: Unit, quality: str) -> tuple[float, ...]:
    """Those of ``HELD_DB`` at which the control node can be held; 0, at rest, always."""
    bench, found = Bench(unit, quality), [HELD_DB[0]]
    for wanted in HELD_DB[1:]:
        try:
            hold(bench, wanted)
        except InputError:
            break
        found.append(wanted)
    return tuple(found)


def distortion_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Harmonics, intermodulation and THD+N against the level."""
    notes = []
    try:
        one = measure_distortion(unit, quality=quality, progress=progress)
    except InputError as error:
        notes.append(f"Without THD+N: {error}.")
        one = measure_distortion(unit, with_noise=False, quality=quality, progress=progress)
    worst = max(one.tones, key=lambda point: point.thd_f)
    first = one.tones[0]
    return Section(
        "", "",
        lead=[
            f"THD at {first.frequency_hz:.6g} Hz: {percent(first.thd_f)} at {level(first.level_dbu)} dBu, at most "
            f"{percent(worst.thd_f)}, at {level(worst.level_dbu)} dBu (of the levels in the table)."
        ],
        pictures=[Picture(inline_svg(draw_distortion({"": one}, ""), "distortion"))],
        tables=_distortion_tables(one),
        notes=notes,
        figures=one.to_dict(),
    )  # fmt: skip


def _distortion_tables(one: DistortionMeasurement) -> list[Table]:
    sines = [
        (
            level(p.level_dbu), level(p.output_dbu), number(p.gain_reduction_db, 2), percent(p.thd_f), percent(p.thd_r),
            *(
                f"{20.0 * np.log10(max(float(p.harmonic[k - 2]), 1e-9)):.0f}" if k - 2 < p.harmonic.size else "-"
                for k in SHOWN_HARMONICS
            ),
        )
        for p in one.tones
    ]  # fmt: skip
    two_tones = [
        (
            level(p.level_dbu), number(p.gain_reduction_db, 2), percent(p.smpte.summed),
            percent(p.difference_tone.summed),
        )
        for p in one.two_tones
    ]  # fmt: skip
    with_noise = [
        (
            level(p.level_dbu), number(p.gain_reduction_db, 2), percent(p.ratio), number(p.level_db),
            level(p.noise_dbu),
        )
        for p in one.with_noise
    ]  # fmt: skip
    both = ("input dBu", "reduction dB")
    orders = [f"H{k} dB" for k in SHOWN_HARMONICS]
    return [
        Table(("input dBu", "output dBu", "reduction dB", "THD to H1", "to the whole", *orders), sines, 0, "One tone"),
        Table((*both, "SMPTE", "difference tone"), two_tones, 0, "Two tones, of the peak of the sine of that level"),
        Table((*both, "THD+N", "dB", "noise dBu"), with_noise, 0, "With noise"),
    ]
