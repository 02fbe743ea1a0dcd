"""Distortion in plain words, and as rows of a table file."""

from collections.abc import Mapping
from math import isnan

import numpy as np

from fetsim.measurements.distortion.harmonics import AES17_BAND_HZ, AES17_FREQUENCY_HZ, NOTCH_Q
from fetsim.measurements.distortion.intermodulation import (
    DIFFERENCE_LOWER_HZ,
    DIFFERENCE_UPPER_HZ,
    SMPTE_AMPLITUDE_RATIO,
    SMPTE_HIGH_HZ,
    SMPTE_LOW_HZ,
)
from fetsim.measurements.distortion.procedure import DistortionMeasurement, DistortionPoint
from fetsim.measurements.distortion.trim_null import TrimNull
from fetsim.report.look.columns import columns, facts, page, paragraph, section
from fetsim.report.look.wording import amount

SHOWN_HARMONICS = 5  # orders 2 to 6 in the table; the files hold all up to the 10th
DEFINITIONS = (
    "THD to H1: rms of harmonics 2 to 10 over the fundamental; to whole: over the rms of fundamental and harmonics "
    "together (IEC 60268-3's reference, from memory). Harmonics in dB under the fundamental.",
    f"SMPTE: {SMPTE_LOW_HZ:g} Hz and {SMPTE_HIGH_HZ / 1000:g} kHz, {SMPTE_AMPLITUDE_RATIO:g}:1; order 2 and 3: sum of "
    "the pair of side tones over the high tone; sum: root of the sum of both squares. Difference tone: "
    f"{DIFFERENCE_LOWER_HZ / 1000:g} and {DIFFERENCE_UPPER_HZ / 1000:g} kHz, 1:1, over the sum of both amplitudes. The "
    "level of two tones is that of the sine of the same peak.",
    f"THD+N: {AES17_FREQUENCY_HZ:g} Hz, notch of Q {NOTCH_Q:g}, {AES17_BAND_HZ / 1000:g} kHz, over the whole, in the "
    "manner of AES17 (from memory, no compliance claimed); the unit's noise is calculated and added as power.",
)


def distortion_page(measured: Mapping[str, DistortionMeasurement]) -> str:
    """Label of the version -> measurement, as a page for the terminal."""
    first = next(iter(measured.values()))
    return page([
        f"Distortion of {first.unit}: steady state, quality {first.quality}. Input levels in dBu at the source.",
        *(_version(label, one) for label, one in measured.items()),
        section("Definitions", *(paragraph(text) for text in DEFINITIONS)),
    ])  # fmt: skip


def distortion_rows(measured: Mapping[str, DistortionMeasurement]) -> list[dict[str, str | float | None]]:
    """One row for every sine, two-tone and THD+N reading; ratios, not per cent."""
    rows: list[dict[str, str | float | None]] = []
    for label, one in measured.items():
        for tone in one.tones:
            rows.append({
                "version": label, "signal": "sine", "frequency_hz": tone.frequency_hz, "level_dbu": tone.level_dbu,
                "output_dbu": tone.output_dbu, "gain_reduction_db": tone.gain_reduction_db, "thd_f": tone.thd_f,
                "thd_r": tone.thd_r, **{f"h{k}": float(h) for k, h in enumerate(tone.harmonic, start=2)},
            })  # fmt: skip
        for two in one.two_tones:
            for signal, found, reduction in (
                ("smpte", two.smpte, two.gain_reduction_db),
                ("difference tone", two.difference_tone, two.difference_tone_reduction_db),
            ):
                rows.append({
                    "version": label, "signal": signal, "level_dbu": two.level_dbu, "gain_reduction_db": reduction,
                    "order_2": found.order_2, "order_3": found.order_3, "summed": found.summed,
                })  # fmt: skip
        for noisy in one.with_noise:
            rows.append({
                "version": label, "signal": "thd+n", "frequency_hz": AES17_FREQUENCY_HZ, "level_dbu": noisy.level_dbu,
                "gain_reduction_db": noisy.gain_reduction_db, "thd_plus_noise": noisy.ratio,
                "noise_dbu": noisy.noise_dbu,
            })  # fmt: skip
    return rows


def null_page(nulls: Mapping[str, TrimNull]) -> str:
    """Label of the version -> swept trim, as a page for the terminal."""
    first = next(iter(nulls.values()))
    return page([
        f"Second harmonic of {first.unit} against {first.trimmed}: {first.frequency_hz:.6g} Hz, steady state.",
        *(_null(label, one) for label, one in nulls.items()),
    ])  # fmt: skip


def null_rows(nulls: Mapping[str, TrimNull]) -> list[dict[str, str | float | None]]:
    """One row a value."""
    return [
        {
            "version": label, "trimmed": one.trimmed, "value": float(one.value[k]), "level_dbu": one.level_dbu,
            "gain_reduction_db": float(one.gain_reduction_db[k]), "h2": float(one.second[k]), "h3": float(one.third[k]),
        }
        for label, one in nulls.items()
        for k in range(one.value.size)
    ]  # fmt: skip


def percent(ratio: float) -> str:
    """``1.73 %``, ``0.0466 %``."""
    return f"{100.0 * ratio:.3g} %" if ratio >= 1e-6 else f"{100.0 * ratio:.1e} %"


def _version(label: str, one: DistortionMeasurement) -> str:
    by_frequency: dict[float, list[DistortionPoint]] = {}
    for tone in one.tones:
        by_frequency.setdefault(tone.frequency_hz, []).append(tone)
    start = f"{label}: " if label else ""
    sections = [section(f"{start}Sine of {f:.6g} Hz", _sines(points)) for f, points in by_frequency.items()]
    if one.two_tones:
        head = ("input dBu", "reduction", "SMPTE order 2", "order 3", "sum", "difference order 2", "order 3", "sum")
        rows = [
            (
                f"{p.level_dbu:+.1f}", _db(p.gain_reduction_db), percent(p.smpte.order_2), percent(p.smpte.order_3),
                percent(p.smpte.summed), percent(p.difference_tone.order_2), percent(p.difference_tone.order_3),
                percent(p.difference_tone.summed),
            )
            for p in one.two_tones
        ]  # fmt: skip
        sections.append(section(f"{start}Intermodulation", columns(head, rows, right=range(8), rigid=range(8))))
    if one.with_noise:
        heading = ("input dBu", "reduction", "THD+N", "dB", "without noise", "noise of the unit")
        lines = [
            (
                f"{p.level_dbu:+.1f}", _db(p.gain_reduction_db), percent(p.ratio), f"{p.level_db:.1f}",
                percent(p.distortion_ratio), f"{p.noise_dbu:.1f} dBu",
            )
            for p in one.with_noise
        ]  # fmt: skip
        sections.append(section(f"{start}THD+N", columns(heading, lines, right=range(6), rigid=range(6))))
    return "\n\n".join(sections)


def _sines(points: list[DistortionPoint]) -> str:
    orders = [f"H{k} dB" for k in range(2, 2 + SHOWN_HARMONICS)]
    head = ("input dBu", "output dBu", "reduction", "THD to H1", "to whole", *orders)
    rows = [
        (
            f"{p.level_dbu:+.1f}", f"{p.output_dbu:+.2f}", _db(p.gain_reduction_db), percent(p.thd_f), percent(p.thd_r),
            *(f"{20.0 * np.log10(max(h, 1e-9)):.0f}" for h in p.harmonic[:SHOWN_HARMONICS]),
            *("" for _ in range(SHOWN_HARMONICS - p.harmonic.size)),
        )
        for p in points
    ]  # fmt: skip
    return columns(head, rows, right=range(len(head)), rigid=range(len(head)))


def _null(label: str, one: TrimNull) -> str:
    turn = one.quantity == "plain"
    best = amount(one.best, one.quantity, 4)
    off = f"{one.best - one.present:+.3f} of a turn" if turn else f"{100.0 * (one.best / one.present - 1.0):+.1f} %"
    where = f"{best} ({off} from the present value): {percent(one.best_second)}"
    if not one.inside:
        where = f"at the end of the sweep, {where}; the null lies further out, widen the span"
    pairs = [
        ("Level", f"{one.level_dbu:+.2f} dBu at the source"),
        ("Now", f"{amount(one.present, one.quantity, 4)}: second harmonic {percent(one.present_second)}"),
        ("Least", where),
    ]
    rows = [
        (
            amount(one.value[k], one.quantity, 4),
            f"{one.value[k] - one.present:+.3f}" if turn else f"{100.0 * (one.value[k] / one.present - 1.0):+.1f} %",
            percent(one.second[k]), percent(one.third[k]), _db(one.gain_reduction_db[k]),
        )
        for k in range(one.value.size)
    ]  # fmt: skip
    head = (one.trimmed, "off", "second harmonic", "third", "reduction")
    return section(label or one.unit, facts(pairs), columns(head, rows, right=range(5), rigid=range(5)))


def _db(value: float) -> str:
    return "-" if isnan(value) else f"{value + 0.0:.2f} dB"
