"""The untouched unit and versions of it, brought to one level and put in one folder to listen to.

In short: programme -> takes and bench figures (``playing``) -> gains (``matching``) -> audio files -> one
``Comparison`` -> pages -> the list of what was written.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from types import MappingProxyType

from fetsim.audio.levels import FLOOR_DB
from fetsim.audio.loudness import ProgrammeLevels, is_tonal
from fetsim.audio.player import check_rate
from fetsim.files.tables import write_csv
from fetsim.files.user_cache import UserCache, user_cache
from fetsim.files.whole_folder import whole_folder, write_manifest
from fetsim.measurements.recordings.sound import Sound
from fetsim.rig.quality import quality_named
from fetsim.schematic.load import DEFAULT_UNIT, given_unit
from fetsim.schematic.unit import Unit
from fetsim.schematic.versions import Changes
from fetsim.studies.cache import KIND, package_version
from fetsim.studies.compare.audio_files import check_size
from fetsim.studies.compare.comparison import NOISE, Comparison
from fetsim.studies.compare.figures import CONDITIONS
from fetsim.studies.compare.matching import Matching, check_matching, match_levels
from fetsim.studies.compare.playing import MEASURING, Played, Watcher, play_all
from fetsim.studies.compare.recorded import read_recordings, with_recording
from fetsim.studies.compare.results import version_results
from fetsim.studies.compare.tables import table_rows
from fetsim.studies.compare.takes import Programme, open_programme
from fetsim.studies.compare.versions import Version, check_names, make_versions

PageWriter = Callable[[Comparison, Path], object]
"""Writes files into the comparison's folder."""

TABLE = "comparison.csv"
MONITORS = (
    "Turn the monitors down before the first playback and raise them on the loudest passage; leave the level alone "
    "while you compare, and follow your local rules for work with loud sound."
)


def compare(
    path_in: str | Path,
    versions: Mapping[str, Changes] | Iterable[tuple[str, Changes]],
    *,
    folder: str | Path | None = None,
    unit: Unit | str | Path = DEFAULT_UNIT,
    changes: Changes = MappingProxyType({}),
    recordings: Mapping[str, str | Path] = MappingProxyType({}),
    title: str = "",
    match: str = "auto",
    quality: str = "standard",
    noise_seed: int | None = None,
    keep_going: bool = False,
    overwrite: bool = False,
    pages: Sequence[PageWriter] = (),
    progress: Watcher = lambda name, doing, share: None,
    notice: Callable[[str], None] = lambda text: None,
    cache: UserCache | None = None,
) -> Comparison:
    """Compare versions of a unit, label -> changes, by playing a sound file through the unit and each of them.

    ``changes`` are made in the unit and in all versions. A version whose changes hold ``unit`` starts from that unit.

    ``recordings``: label -> what a real unit made of the same sound file, as versions: brought in step to a fraction
    of a sample with the unit's output, whatever their delay, polarity, level and clock.

    Writes 24 bit FLAC and WAV files of every version and of what it adds to the untouched unit, ``comparison.json``,
    ``comparison.csv`` (a line for each version that was played) and what ``pages`` write, into ``folder`` (default:
    ``default_folder``), which appears whole or not at all.
    ``match``: ``"auto"``, ``"loudness"``, ``"rms"`` or ``"none"``. With a ``noise_seed`` the parts make noise as in
    ``render``, from the same numbers in all versions. Wrong changes are refused all at once, or with ``keep_going``
    become versions with an error, as a version that cannot be played always does. ``notice`` is called with a sentence
    before something slow.

    Raises InputError or UnitError, and ConvergenceError when the untouched unit itself cannot be played.

    >>> import fetsim
    >>> import numpy as np, soundfile
    >>> soundfile.write("in.wav", 0.1 * np.sin(0.1 * np.arange(48000)), 48000)
    >>> versions = {"larger": {"C2": "330n"}}
    >>> found = fetsim.compare("in.wav", versions, folder="heard", unit="teaching", quality="draft")
    >>> [one.label for one in found.versions]
    ['as built', 'larger']
    """
    source, wanted = Path(path_in), list(versions.items() if isinstance(versions, Mapping) else versions)
    check_matching(match)
    quality_named(quality)
    boxes = {label.strip(): Path(path) for label, path in recordings.items()}
    check_names([*(name for name, _ in wanted), *recordings])
    loaded = given_unit(unit)
    loaded = loaded.changed(changes) if changes else loaded
    made = make_versions(loaded, wanted, changes, keep_going=keep_going)
    programme = open_programme(source, noise_seed, alike=max(1, len(loaded.channels)))
    check_rate(programme.rate_hz, str(source))
    check_size(source, programme.frames, programme.channels)
    sounds = read_recordings(boxes, programme)
    made += [Version(label, None, recording=path) for label, path in boxes.items()]
    target, kept = Path(folder) if folder is not None else default_folder(source), cache or user_cache(KIND)
    with whole_folder(target, overwrite=overwrite) as work:
        try:
            played = play_all(made, programme, quality, kept, progress, notice)
            played = [_recorded(one, sounds, played[0], programme, progress) for one in played]
            comparison = _comparison(played, programme, match, quality, title, work)
        finally:
            kept.trim()
        for write_page in pages:
            write_page(comparison, work)
        write_csv(table_rows(comparison), work / TABLE)
        write_manifest(work, {**comparison.to_dict(), **comparison.account().to_dict()})
    return comparison


def _recorded(
    one: Played,
    sounds: Mapping[str, tuple[Sound, tuple[str, ...]]],
    first: Played,
    programme: Programme,
    progress: Watcher,
) -> Played:
    if one.version.recording is None or first.take is None:
        return one
    found = with_recording(one, *sounds[one.version.label], first.take, programme.rate_hz)
    progress(one.version.label, MEASURING, 1.0)
    return found


def default_folder(path_in: Path) -> Path:
    """Where a comparison goes unless told: in the current folder, under the input's stem."""
    return Path(f"{path_in.stem}-compared")


def _comparison(
    played: Sequence[Played], programme: Programme, wanted: str, quality: str, title: str, folder: Path
) -> Comparison:
    unit, sound = played[0].version.unit, played[0].take
    assert unit is not None and sound is not None
    levels = [one.take.levels if one.take is not None else None for one in played]
    matching = match_levels(
        levels, wanted, programme.channels, lambda: is_tonal(sound.samples, programme.rate_hz)
    )
    found = version_results(played, matching, programme.rate_hz, quality, folder)
    return Comparison(
        title=title or f"{programme.path.name} through {unit.name}",
        input_name=programme.path.name,
        unit_name=unit.name,
        rate_hz=programme.rate_hz,
        channels=programme.channels,
        duration_s=programme.frames / programme.rate_hz,
        matching=matching.by,
        matching_reason=matching.reason,
        headroom_gain_db=matching.headroom_gain_db,
        conditions=CONDITIONS,
        cautions=(MONITORS, *_unmatched(matching, levels)),
        settings=_settings(unit, quality, programme.noise_seed),
        created=datetime.now().astimezone().isoformat(timespec="seconds"),
        package_version=package_version(),
        versions=found,
        provenance=found[0].provenance,
    )


def _unmatched(matching: Matching, levels: Sequence[ProgrammeLevels | None]) -> tuple[str, ...]:
    if matching.by != "none":
        return ()
    heard_db = [one.rms_dbfs for one in levels if one is not None and one.rms_dbfs > FLOOR_DB]
    apart_db = max(heard_db, default=0.0) - min(heard_db, default=0.0)
    return (
        f"Levels are not matched: up to {apart_db:.1f} dB (rms) lie between versions, so expect jumps; the louder of "
        "two tends to be preferred for that alone.",
    )


def _settings(unit: Unit, quality: str, noise_seed: int | None) -> dict[str, str]:
    noise = {} if noise_seed is None else {NOISE: f"seed {noise_seed}, the same in all versions"}
    return {
        "unit file": unit.path.name,
        "changed in all": "; ".join(f"{name} {before} -> {after}" for name, before, after in unit.changes) or "nothing",
        "0 dBFS": f"{unit.full_scale_dbu:+g} dBu",
        "quality": quality,
        **noise,
    }
