"""From what was played to what is told and written: one ``VersionResult`` and its audio files for each version."""

from collections.abc import Sequence
from pathlib import Path

from fetsim.audio.levels import decibels
from fetsim.rig.provenance import provenance
from fetsim.rig.rig import Rig
from fetsim.rig.runner import run_all
from fetsim.schematic.change_list import Step, change_list
from fetsim.schematic.fault_words import NOISY
from fetsim.schematic.unit import Unit
from fetsim.studies.compare.activity import activity
from fetsim.studies.compare.audio_files import Leveled, file_stem, write_difference, write_version
from fetsim.studies.compare.comparison import NO_DIFFERENCE_DB, Difference, Loudness, VersionResult
from fetsim.studies.compare.matching import Matching
from fetsim.studies.compare.playing import Played
from fetsim.studies.compare.takes import Take

NOTHING_CHANGED = "nothing is changed: every value is what it was"
NO_DIFFERENCE = f"no difference in this programme: what the changes add is below {NO_DIFFERENCE_DB:g} dB"

NOT_HEARD = "noise of the parts, that of a noisy one too, is played with --noise alone"


def version_results(
    played: Sequence[Played], matching: Matching, rate_hz: int, quality: str, folder: Path
) -> tuple[VersionResult, ...]:
    """Write the files of all versions, the untouched one first, into ``folder``. Raises InputError."""
    unit = played[0].version.unit
    assert unit is not None and played[0].take is not None
    gains_db = [gain_db + matching.headroom_gain_db for gain_db in matching.gains_db]
    reference = _leveled(played[0].take, gains_db[0], rate_hz)
    def finish(number: int, one: Played) -> VersionResult:
        if one.take is None:
            return VersionResult(label=one.version.label, changes=_changes(unit, one), error=one.error)
        leveled, stem = _leveled(one.take, gains_db[number], rate_hz), file_stem(number, one.version.label)
        names = write_version(folder, stem, leveled)
        difference = write_difference(folder, stem, leveled, reference) if number else None
        flac_file, wav_file = names
        return VersionResult(
            label=one.version.label,
            changes=_changes(unit, one),
            work=_work(unit, one.version.unit),
            flac_file=flac_file,
            wav_file=wav_file,
            loudness=_loudness(one.take, matching.gains_db[number], gains_db[number]),
            activity=activity(one.take.logs) if one.take.logs else one.activity,
            outline=leveled.outline(),
            figures=one.figures,
            difference=difference,
            provenance=None if one.version.unit is None else provenance(Rig(one.version.unit, quality, rate_hz)),
            cautions=_cautions(one, _changes(unit, one), difference, matching.cautions[number]),
        )

    return tuple(run_all(dict(enumerate(enumerate(played))), lambda job, _: finish(*job)).values())


def _work(unit: Unit, other: Unit | None) -> tuple[Step, ...]:
    """From version 0 to one of another file, where one of them starts from the other or both from a third."""
    if other is None or other.origin.path == unit.origin.path:
        return ()
    return change_list(unit, other) if set(unit.origin.files) & set(other.origin.files) else ()


def _changes(unit: Unit, one: Played) -> tuple[tuple[str, str, str], ...]:
    version = one.version.unit
    if one.version.recording is not None:
        return (("recording", "none", one.version.recording.name),)
    if version is None:
        return ()
    if version.origin.path != unit.origin.path:  # another unit: what it is, and what is changed in it
        return (("unit", unit.name, version.name), *version.changes)
    return unit.differences(version)


def _leveled(take: Take, gain_db: float, rate_hz: int) -> Leveled:
    return Leveled(take.samples, 10.0 ** (gain_db / 20.0), rate_hz)


def _loudness(take: Take, match_gain_db: float, gain_db: float) -> Loudness:
    levels = take.levels
    return Loudness(
        loudness_lufs=levels.loudness_lufs(),
        rms_dbfs=levels.rms_dbfs,
        match_gain_db=match_gain_db,
        gain_db=gain_db,
        peak_dbfs=float(decibels(levels.peak)) + gain_db,
        true_peak_dbtp=float(decibels(levels.true_peak)) + gain_db,
    )


def _cautions(
    one: Played, changes: Sequence[tuple[str, str, str]], difference: Difference | None, unmatched: str
) -> tuple[str, ...]:
    told = [unmatched, one.take.warning if one.take is not None else ""]
    if difference is not None and difference.level_db < NO_DIFFERENCE_DB:
        told.append(NO_DIFFERENCE if changes else NOTHING_CHANGED)
        if any(f"{NOISY.word}:" in after for *_, after in changes):
            told.append(NOT_HEARD)
    return tuple(text for text in told if text)
