"""What builds of a unit would give where a real one was observed: the one module here that touches the engine.

Readings come from the figures of builds (``studies/spread/evaluate``), volts from the state at rest with the meter at
its node; recordings by playing their dry sound. Four builds are played side by side in the lanes of each core. Plays
are kept in the user's cache, in single precision (24 bits of each sample) unless ``fine``, under the circuit, the dry
sound and the quality.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from fetsim.audio.channel import Channel
from fetsim.audio.player import BLOCK_FRAMES
from fetsim.engine.assembly import Array
from fetsim.engine.crew import side_by_side
from fetsim.engine.lanes import WIDTH
from fetsim.errors import FetsimError
from fetsim.files.user_cache import TRIM_EVERY_S, UserCache, user_cache
from fetsim.rig.processes import processes_of, run_apart
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import Figure
from fetsim.studies.builds.nominal import Nominal, nominal_of
from fetsim.studies.cache import PLAYS, key_of
from fetsim.studies.compare.takes import circuit_key
from fetsim.studies.observed.loaded import shown_v
from fetsim.studies.observed.observations import Observations, Recording
from fetsim.studies.spread.evaluate import Changes, evaluate

KIND = "played"
LARGEST_BYTES = 4_000_000_000
SAMPLES = "output.npy"
MOST_TOGETHER = 3 * WIDTH
"""Builds that one job plays: few, so that what was done before an interruption is kept."""

Samples = NDArray[np.float32] | NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Predicted:
    """What one build gives where the real unit was observed."""

    readings: Array
    """[shape=(readings,), in the units of each]; NaN where ``reasons`` says why."""
    outputs: tuple[Samples | None, ...]
    """For each recording what comes out [shape=(n,) of its dry sound, 1.0 = full scale]; None where it fails."""
    reasons: tuple[str, ...]
    """Why what is missing is missing; each once."""


def predict(
    observations: Observations,
    builds: Sequence[Changes],
    *,
    quality: str = "standard",
    workers: int | None = None,
    progress: Progress = unwatched,
    cache: UserCache | None = None,
    tolerance_v: float | None = None,
    keep: bool = True,
    fine: bool = False,
    read: Sequence[Changes] | None = None,
) -> list[Predicted]:
    """For each build, as changes of the observed unit. Settings of a reading or recording go on top of the changes.
    ``tolerance_v``: of sound, as a ``Rig`` has it. ``keep``: in the cache; places that nobody comes to again are not.
    ``fine``: sound in double precision, as a difference of builds that hardly differ takes it. ``read``: builds that
    readings are taken of instead of these.

    Raises InputError where the observations cannot be had of the unit at all.
    """
    kept = cache or user_cache(KIND, LARGEST_BYTES)
    shares = max(1, len(observations.at_settings) + len(observations.recordings))

    def part(number: int) -> Progress:
        return lambda share: progress((number + share) / shares)

    made = _Made(observations.unit)
    readings = np.full((len(builds), len(observations.readings)), np.nan)
    reasons: list[dict[str, None]] = [{} for _ in builds]
    for number, (settings, places) in enumerate(observations.at_settings.items()):
        merged: list[Changes] = [{**build, **dict(settings)} for build in read or builds]
        _read(observations, merged, made, places, readings, reasons, quality, workers, part(number))
    outputs: list[list[Samples | None]] = [[] for _ in builds]
    for number, recording in enumerate(observations.recordings, start=len(observations.at_settings)):
        merged = [{**build, **recording.settings} for build in builds]
        played = play(observations.unit, merged, recording, quality=quality, workers=workers, cache=kept,
                      progress=part(number), tolerance_v=tolerance_v, keep=keep, fine=fine, made=made)  # fmt: skip
        for row, output in enumerate(played):
            outputs[row].append(None if isinstance(output, str) else output)
            reasons[row] |= {output: None} if isinstance(output, str) else {}
    return [
        Predicted(readings=readings[row], outputs=tuple(outputs[row]), reasons=tuple(reasons[row]))
        for row in range(len(builds))
    ]


def _read(
    observations: Observations, builds: Sequence[Changes], made: "_Made", places: tuple[int, ...], readings: Array,
    reasons: Sequence[dict[str, None]], quality: str, workers: int | None, progress: Progress,
) -> None:  # fmt: skip
    """Fill in the readings at these places, all taken at settings that are among the changes."""
    meters: dict[int, tuple[str, float | None]] = {}
    for place in places:
        one = observations.readings[place]
        if one.figure.kind == "volts" and one.figure.node is not None:
            meters[place] = one.figure.node, one.meter_ohm
    figures = observations.figures(places)
    if meters:
        near = Rig(observations.unit)
        for row, build in enumerate(builds):
            try:
                unit = made.of(build)
                if isinstance(unit, str):
                    reasons[row][unit] = None
                    continue
                rig = Rig(unit, near=near)
                for place, volts in shown_v(rig, meters).items():
                    readings[row, place] = volts
            except FetsimError as error:
                reasons[row][str(error)] = None
    if not figures:
        return
    settings = tuple(observations.readings[places[0]].settings.items())
    start = _start(observations, settings, figures, quality)
    found = evaluate(start, builds, workers=workers, progress=progress)
    for row, shown in enumerate(found):
        reasons[row].update(dict.fromkeys(shown.reasons.values()))
        for place in places:
            key = observations.readings[place].figure.key
            if place not in meters:
                readings[row, place] = shown.found.get(key, np.nan)


_Settings = tuple[tuple[str, str], ...]
_STARTS: WeakKeyDictionary[Observations, dict[tuple[_Settings, tuple[Figure, ...], str], Nominal]] = WeakKeyDictionary()
"""What builds start from, kept as long as what was observed: builds are asked for in turns."""


def _start(observations: Observations, settings: _Settings, figures: tuple[Figure, ...], quality: str) -> Nominal:
    """What builds start from whose readings are taken at these settings."""
    kept, key = _STARTS.setdefault(observations, {}), (settings, figures, quality)
    if key not in kept:
        unit = observations.unit.changed(dict(settings)) if settings else observations.unit
        kept[key] = nominal_of(
            unit, figures, quality=quality, curve_hz=observations.curve_hz, step_hz=observations.step_hz,
            before_dbu=observations.step_dbu[0], level_dbu=observations.step_dbu[1],
        )  # fmt: skip
    return kept[key]


def play(
    unit: Unit,
    builds: Sequence[Changes],
    recording: Recording,
    *,
    quality: str,
    workers: int | None = None,
    cache: UserCache | None = None,
    progress: Progress = unwatched,
    tolerance_v: float | None = None,
    keep: bool = True,
    fine: bool = False,
    made: "_Made | None" = None,
) -> list[Samples | str]:
    """The dry sound of a recording through each build [shape=(n,)], or why it could not be played."""
    kept = cache or user_cache(KIND, LARGEST_BYTES)
    made = made or _Made(unit)
    units = [made.of(build) for build in builds]
    keys = [
        None if isinstance(one, str)
        else _key(one, recording, quality, tolerance_v, fine) if keep
        else f"build {number}"
        for number, one in enumerate(units)
    ]  # fmt: skip
    left = {key: one for key, one in zip(keys, units, strict=True) if key and not isinstance(one, str)}
    left = {key: one for key, one in left.items() if not keep or kept.find(key) is None}
    told: dict[str, Samples | str] = {}
    if left:
        names = list(left)
        size = _together(len(names), processes_of(workers))
        batches = [names[first : first + size] for first in range(0, len(names), size)]

        def arrived(number: int, outputs: list[Samples | str]) -> None:
            for key, output in zip(batches[number], outputs, strict=True):
                if isinstance(output, str) or not keep:
                    told[key] = output
                else:
                    with kept.filling(key) as folder:
                        np.save(folder / SAMPLES, output)

        jobs = [[left[key] for key in batch] for batch in batches]
        near = Rig(unit, quality, recording.rate_hz, tolerance_v=tolerance_v)
        work = partial(_played, near, recording.dry, fine)
        run_apart(jobs, work, progress, workers=workers, arrived=arrived)
        if keep:
            kept.trim(TRIM_EVERY_S)
    progress(1.0)
    return [one if isinstance(one, str) else _fetched(kept, key, told) for one, key in zip(units, keys, strict=True)]


def _together(count: int, workers: int) -> int:
    """Builds a job, whole packs of lanes where there are enough of them."""
    each = -(-count // workers)
    return min(MOST_TOGETHER, WIDTH * -(-each // WIDTH) if each > WIDTH // 2 else each)


class _Made:
    """Builds of one unit, each made once."""

    def __init__(self, unit: Unit) -> None:
        self.unit = unit
        self._found: dict[tuple[tuple[str, object], ...], Unit | str] = {}

    def of(self, build: Changes) -> Unit | str:
        """The build, or why there is none."""
        if not build:
            return self.unit
        key = tuple(build.items())
        if key not in self._found:
            try:
                self._found[key] = self.unit.changed(build)
            except FetsimError as error:
                self._found[key] = str(error)
        return self._found[key]


def _key(unit: Unit, recording: Recording, quality: str, tolerance_v: float | None, fine: bool) -> str:
    what = circuit_key(unit), recording.dry, recording.rate_hz, quality, tolerance_v, fine
    return key_of("played", *what, source=PLAYS)


def _fetched(cache: UserCache, key: str | None, told: Mapping[str, Samples | str]) -> Samples | str:
    assert key is not None
    folder = None if key in told else cache.find(key)
    if folder is None:
        return told.get(key, "its render vanished from the cache as soon as it was made; start again")
    samples: Samples = np.load(folder / SAMPLES, mmap_mode="r")
    return samples


def _played(near: Rig, dry: Array, fine: bool, units: Sequence[Unit]) -> list[Samples | str]:
    """Side by side in the lanes of this process."""
    found = side_by_side({k: partial(_one, one, near, dry, fine) for k, one in enumerate(units)}, cores=1)
    return [found[k] for k in range(len(units))]


def _one(unit: Unit, near: Rig, dry: Array, fine: bool) -> Samples | str:
    try:
        channel = Channel(replace(near, unit=unit, near=near))
        blocks = range(0, len(dry), BLOCK_FRAMES)
        pieces = [
            channel.push(dry[first : first + BLOCK_FRAMES], last=first + BLOCK_FRAMES >= len(dry)).output
            for first in blocks
        ]
    except FetsimError as error:
        return str(error)
    whole = np.concatenate(pieces)
    return whole.astype(np.float64) if fine else whole.astype(np.float32)
