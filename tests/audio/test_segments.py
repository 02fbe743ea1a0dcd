"""Long sound in segments against the same sound marched in one piece."""

import csv
import os
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

import fetsim
from fetsim.audio import player, segment_player, segments, splices
from fetsim.audio.arrays import ArraySource
from fetsim.audio.player import Player
from fetsim.audio.segment_player import SegmentPlayer
from fetsim.audio.segments import CHUNK_FRAMES, chunks_in, even_chunks, first_chunks
from fetsim.audio.spool import Kept, Spool
from fetsim.engine.modes import GrowingMode
from fetsim.errors import ConvergenceError, InputError
from fetsim.report.render.text import render_text
from tests.measurements.units import PLAIN_IRON

RATE_HZ = 48000
SECONDS = 16.0
AGREED_DB = -140.0  # what is promised of a splice,
LEAST_LEVEL = 1e-3  # re the level of the output where it is, this at the least


def programme(seconds=SECONDS, rate_hz=RATE_HZ):
    """Drum strokes over a tone, with pauses of over a second."""
    rng = np.random.default_rng(7)
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    since = t % 0.37
    strokes = np.sin(2 * np.pi * 70 * since) * np.exp(-9 * since) + 0.2 * rng.standard_normal(t.size) * np.exp(
        -40 * since
    )
    return np.where(t % 4.1 < 2.9, strokes + 0.1 * np.sin(2 * np.pi * 997 * t), 0.0)


def played(sound, unit="teaching", count=1, make=Player, **options):
    """Output, probes, logs and splices."""
    sound = sound.reshape(len(sound), -1)
    unit = fetsim.load_unit(unit) if isinstance(unit, str) else unit
    options = {"quality": "draft"} | options
    more = () if make is Player else (even_chunks(len(sound), RATE_HZ, count), lambda columns, kind: Kept())
    with make(unit, RATE_HZ, sound.shape[1], *more, **options) as one:
        blocks = list(one.play(ArraySource(sound)))
        return (
            np.concatenate([output for output, _ in blocks]), np.concatenate([probes for _, probes in blocks]),
            one.logs, one.splices,
        )  # fmt: skip


def apart_db(one, other, least):
    """Largest difference re the level of ``other``, in any 85 ms of any column."""
    whole = len(one) // CHUNK_FRAMES * CHUNK_FRAMES
    one, other = (a.reshape(len(a), -1)[:whole].reshape(whole // CHUNK_FRAMES, CHUNK_FRAMES, -1) for a in (one, other))
    level = np.maximum(np.sqrt(np.mean(other**2, axis=1)), least)
    return 20.0 * np.log10(np.max(np.sqrt(np.mean((one - other) ** 2, axis=1)) / level) + 1e-30)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("level", "changes", "seconds", "options"),
    [
        (0.5, {}, 12.0, {"probes": ("ctl", "R6.current")}),
        (0.02, {}, 12.0, {"log_rate_hz": 0.7}),  # rows longer than an overlap
        (0.5, {"C2": "0.47u"}, 30.0, {}),  # a release three times as slow
        (8.0, {}, 12.0, {"cold": True}),
    ],
)
def test_a_splice_leaves_140_db_of_the_level_there(level, changes, seconds, options):
    unit, sound = fetsim.load_unit("teaching").changed(**changes), level * programme(seconds)
    whole, whole_probes, (whole_log,), none = played(sound, unit, **options)
    found, probes, (log,), told = played(sound, unit, 3, SegmentPlayer, **options)
    assert none == () and len(told) == 2
    assert found.shape == whole.shape and probes.shape == whole_probes.shape
    assert 0.0 < np.abs(found - whole).max()  # not the same thing twice
    assert apart_db(found, whole, LEAST_LEVEL) <= AGREED_DB
    if "probes" in options:
        assert apart_db(probes[:, :, 0], whole_probes[:, :, 0], 10.0 * LEAST_LEVEL) <= AGREED_DB
        assert apart_db(probes[:, :, 1], whole_probes[:, :, 1], 10e-3 * LEAST_LEVEL) <= AGREED_DB
    np.testing.assert_array_equal(log.time_s, whole_log.time_s)
    np.testing.assert_allclose(log.gain_reduction_mean_db, whole_log.gain_reduction_mean_db, atol=2e-6)
    np.testing.assert_allclose(log.input_rms_dbu, whole_log.input_rms_dbu, atol=1e-9)
    loud = whole_log.output_peak_dbu > -60.0
    np.testing.assert_allclose(log.output_peak_dbu[loud], whole_log.output_peak_dbu[loud], atol=2e-6)
    for one, (earlier, later) in zip(told[1:], pairwise(told), strict=True):
        assert one.residual_db <= AGREED_DB and earlier.at_s < later.at_s and later.cut_s < later.at_s


@pytest.mark.slow
def test_the_dunlin_is_spliced_as_well():
    """Without hysteresis: a stop that no later swing reaches keeps what it has, and two marches never have it alike."""
    sound = 0.7 * programme(18.0)
    whole, _, _, _ = played(sound, PLAIN_IRON)
    found, _, _, told = played(sound, PLAIN_IRON, 2, SegmentPlayer)
    assert len(told) == 1 and apart_db(found, whole, LEAST_LEVEL) <= AGREED_DB




@pytest.mark.slow
def test_cores_and_blocks_change_no_bit(monkeypatch):
    stereo = np.column_stack((0.5 * programme(10.0), np.zeros(10 * RATE_HZ)))  # silence agrees too
    first = played(stereo, count=2, make=SegmentPlayer)
    assert first[3]
    for cores, block, ahead in ((1, 1000, 1), (2, 8192, 3)):
        monkeypatch.setattr(os, "cpu_count", lambda cores=cores: cores)
        monkeypatch.setattr(segment_player, "BLOCK_FRAMES", block)
        monkeypatch.setattr(segments, "READ_CHUNKS", ahead)
        other = played(stereo, count=2, make=SegmentPlayer)
        np.testing.assert_array_equal(other[0], first[0])
        assert other[3] == first[3]
        for one, two in zip(other[2], first[2], strict=True):
            for name, values in one.columns().items():
                np.testing.assert_array_equal(values, two.columns()[name])


def test_segments_that_never_agree_are_thrown_away(monkeypatch):
    sound = 0.5 * programme(8.0)
    monkeypatch.setattr(splices, "AGREED_DB", -1000.0)
    found, _, _, told = played(sound, count=2, make=SegmentPlayer)
    assert told == ()
    assert np.abs(found - played(sound)[0]).max() <= 1e-9  # lanes against a single circuit


def failing(monkeypatch, where):
    """March so that a simulation for which ``where(first step, steps so far)`` holds finds no solution any more."""
    march_together, first_steps = segments.march_together, {}

    def march(simulations, inputs):
        for one in simulations:
            first_steps.setdefault(id(one), one.state.steps)
        found = march_together(simulations, inputs)
        return [
            replace(m, failure=ConvergenceError(f"no convergence at {s.state.time_s:.6f} s", advice="none"))
            if where(first_steps[id(s)], s.state.steps)
            else m
            for s, m in zip(simulations, found, strict=True)
        ]

    monkeypatch.setattr(segments, "march_together", march)


def test_a_failure_that_a_false_start_made_is_gone_over(monkeypatch):
    sound = 0.5 * programme(8.0)
    failing(monkeypatch, lambda first, now: 0 < first and now > first + 0.4 * 3 * RATE_HZ)
    found, _, _, told = played(sound, count=2, make=SegmentPlayer)
    assert told == () and np.abs(found - played(sound)[0]).max() <= 1e-9


@pytest.mark.parametrize("at_s", [1.0, 9.0, 15.0])
def test_a_failure_is_told_as_in_one_piece(monkeypatch, at_s):
    failing(monkeypatch, lambda first, now: now >= at_s * 3 * RATE_HZ)
    with pytest.raises(ConvergenceError, match="no convergence at") as caught:
        played(0.5 * programme(), count=4, make=SegmentPlayer)
    told_s = float(str(caught.value).split(" at ")[1].split(" s")[0])
    assert at_s <= told_s <= at_s + CHUNK_FRAMES / RATE_HZ  # the first chunk of any that fails


def test_what_is_no_sample_is_told_as_in_one_piece():
    sound = 0.5 * programme(8.0)
    sound[300_000] = np.nan
    said = []
    for make in (Player, SegmentPlayer):
        with pytest.raises(InputError) as caught:
            played(sound, count=2, make=make)
        said.append(str(caught.value))
    assert said[0] == said[1] and "6.250000 s" in said[0]


def test_a_unit_that_grows_at_rest_is_not_cut(monkeypatch):
    mode = GrowingMode(pole_per_s=1.0 + 0.0j, element="C1")
    monkeypatch.setattr("fetsim.rig.rig.Rig.growing", (mode,))
    with SegmentPlayer(fetsim.load_unit("teaching"), RATE_HZ, 1, (0, 50), lambda *_: Kept(), quality="draft") as one:
        assert one._firsts == (0,)


@given(st.floats(min_value=1.0, max_value=36000.0), st.sampled_from([8000, 44100, 48000, 192000]), st.integers(1, 6))
def test_cuts_are_even_and_far_apart(seconds, rate_hz, channels):
    frames = int(seconds * rate_hz)
    firsts = first_chunks(frames, rate_hz, channels)
    if seconds < segments.LEAST_S - 1e-3 or channels > segments.MOST_CHANNELS:
        assert firsts == (0,)
    if len(firsts) > 1:
        assert firsts[0] == 0 and {b - a for a, b in pairwise(firsts)} == {firsts[1]}
        assert firsts[1] * CHUNK_FRAMES / rate_hz > 2.0 * segments.OVERLAP_S
        left = chunks_in(frames) - firsts[-1]
        assert firsts[1] <= left and len(firsts) * channels <= segments.MOST_LANES


@pytest.mark.parametrize("suffix", ["wav", "ogg"])
def test_a_long_file_is_cut_and_its_splices_are_told(tmp_path, monkeypatch, suffix):
    monkeypatch.setattr(segments, "LEAST_S", 10.0)
    monkeypatch.setattr(segments, "SHORTEST_S", 1.0)
    monkeypatch.setattr(segments, "SIDE_BY_SIDE", 4)
    source = tmp_path / f"in.{suffix}"
    soundfile.write(source, 0.5 * programme(), RATE_HZ, **({} if suffix == "ogg" else {"subtype": "FLOAT"}))
    seen, options = [], {"unit": "teaching", "quality": "draft"}
    done = fetsim.render_file(
        source, tmp_path / "a.wav", log_to=tmp_path / "a.csv", probes=["ctl"], probes_to=tmp_path / "a.npz",
        progress=lambda *s: seen.append(s), **options,
    )  # fmt: skip
    whole = fetsim.render_file(source, tmp_path / "b.wav", segments=False, log_to=tmp_path / "b.npz", **options)
    assert whole.splices == () and len(done.splices) == 3
    sound, plain = (soundfile.read(tmp_path / name)[0] for name in ("a.wav", "b.wav"))
    assert 0.0 < np.abs(sound - plain).max() <= 2.0**-23 * np.abs(plain).max()  # single precision
    assert done.loudness_in_lufs == whole.loudness_in_lufs
    assert seen == sorted(seen) and seen[-1] == (SECONDS, SECONDS)
    with (tmp_path / "a.csv").open() as file:
        told = [float(row["splice_residual_db"]) for row in csv.DictReader(file) if row["splice_residual_db"]]
    assert told == [round(one.residual_db, 1) for one in done.splices]
    fetsim.render_file(source, tmp_path / "c.wav", log_to=tmp_path / "c.npz", **options)
    with np.load(tmp_path / "c.npz") as log, np.load(tmp_path / "b.npz") as none:
        np.testing.assert_array_equal(log["splice_at_s"], [one.at_s for one in done.splices])
        assert "splice_at_s" not in none
    text = render_text(done)
    assert "4 side by side" in text and all(f"{one.at_s:.1f} s" in text for one in done.splices)
    assert "side by side" not in render_text(whole)
    assert len(done.to_dict()["splices"]) == 3
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(
        [source.name, "a.wav", "a.csv", "a.npz", "b.wav", "b.npz", "c.wav", "c.npz"]
    )


def test_arrays_are_cut_as_files_are(monkeypatch):
    monkeypatch.setattr(segments, "LEAST_S", 10.0)
    monkeypatch.setattr(segments, "SHORTEST_S", 1.0)
    monkeypatch.setattr(segments, "SIDE_BY_SIDE", 4)
    sound, shares = 0.5 * programme(), []
    cut = fetsim.render(sound, RATE_HZ, unit="teaching", quality="draft", progress=shares.append)
    whole = fetsim.render(sound, RATE_HZ, unit="teaching", quality="draft", segments=False)
    assert len(cut.splices) == 3 and whole.splices == () and shares[-1] == 1.0
    assert apart_db(cut.output, whole.output, LEAST_LEVEL) <= AGREED_DB


def test_a_store_gives_back_any_rows(tmp_path):
    rows = np.random.default_rng(3).standard_normal((1000, 3))
    with Spool(tmp_path, 3, np.float64) as spool:
        for store in (spool, Kept()):
            for first in range(0, 1000, 130):
                store.write(rows[first : first + 130])
            for first, count in ((0, 1000), (129, 2), (130, 130), (999, 1), (500, 0), (400, 333)):
                np.testing.assert_array_equal(store.read(first, count), rows[first : first + count])


def test_short_sound_is_marched_in_one_piece():
    assert isinstance(
        segment_player.player_for(
            fetsim.load_unit("teaching"), RATE_HZ, 1, int(59 * RATE_HZ), lambda *_: Kept(), segments=True
        ),
        player.Player,
    )
