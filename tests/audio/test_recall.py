"""Long sound in segments through cores that remember: loud, quiet, loud again, cut in the quiet."""

import os

import numpy as np
import pytest

import fetsim
from fetsim.audio import recall, segments
from fetsim.audio.arrays import ArraySource
from fetsim.audio.excerpts import Excerpt, excerpts, generations, last_moved
from fetsim.audio.player import Player
from fetsim.audio.scout import Look, look_through
from fetsim.audio.segment_player import SegmentPlayer, begun
from fetsim.audio.segments import CHUNK_FRAMES
from fetsim.audio.spool import Kept
from fetsim.rig.rig import Rig
from tests.audio.test_segments import AGREED_DB, LEAST_LEVEL, RATE_HZ, apart_db, played, programme
from tests.measurements.units import PLAIN_IRON, changed_text

CHOKE = (
    'L1 = { kind = "inductor", nodes = ["inp", "0"], value = "2H", resistance = "10", initial_inductance = "1H", '
    'nominal_voltage = "1V", nominal_frequency = "50Hz", saturation_flux = "60mVs" }\n'
)


@pytest.fixture(scope="module")
def choked(tmp_path_factory):
    """The teaching unit with a choke across its input, of which drum strokes at full level take 5 % of the voltage."""
    place = "R1 = {"
    return fetsim.load_unit(changed_text(tmp_path_factory.mktemp("unit"), place, CHOKE + place))


def loud_quiet_loud(seconds=22.0):
    """The second loud passage is 1 dB below the first, so that its swings meet what that has left."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return programme(seconds) * np.select([t < 3.5, t > seconds - 3.5], [0.6, 0.53], 0.02)


def test_a_unit_with_hysteresis_is_cut_where_segments_are_long():
    dunlin, minute = fetsim.load_unit("dunlin"), 60 * RATE_HZ
    for channels in (1, 2):
        count = segments.SIDE_BY_SIDE // channels
        long_enough = int(count * segments.SHORTEST_REMEMBERING_S + segments.OVERLAP_S + 1) * RATE_HZ
        assert begun(dunlin, long_enough - 2 * RATE_HZ, RATE_HZ, channels, segments=True) == (0,)
        assert len(begun(dunlin, long_enough, RATE_HZ, channels, segments=True)) == count
    assert begun(dunlin, 60 * minute, RATE_HZ, segments.MOST_CHANNELS + 1, segments=True) == (0,)
    assert len(begun(PLAIN_IRON, 2 * minute, RATE_HZ, 1, segments=True)) > 1


def memory_moved(*moments, chunks=200):
    """Numbers at the beginning of each chunk and at the end of the last, each moved in its own chunks."""
    memory = np.zeros((chunks + 1, len(moments)))
    for number, its in enumerate(moments):
        for moment in its:
            memory[moment + 1 :, number] += 1.0
    return memory


def test_what_was_moved_last_is_seen():
    last = last_moved(memory_moved([1, 3], [], chunks=4))
    np.testing.assert_array_equal(last[:, 0], [-1, -1, 1, 1, 3])
    np.testing.assert_array_equal(last[:, 1], [-1] * 5)


def test_excerpts_are_the_last_moments_of_what_is_still_to_be_known_and_of_what_stood_then():
    last = last_moved(memory_moved(
        [10, 40, 190],  # moved last in 40; 10 stood before
        [60],
        [60, 101],  # 101 is so near behind the cut that its run-up begins before it,
        [20, 107],  # 107 is not, but 20 stands in all of the others
        [],
    ))  # fmt: skip
    before = (Excerpt(4, 12), Excerpt(14, 22), Excerpt(34, 42), Excerpt(54, 62))
    assert excerpts(last, [100], run_up=6, known_after=10) == (*before, Excerpt(95, 100))
    assert excerpts(last, [100, 150], run_up=6, known_after=10) == (*before, Excerpt(95, 109))  # the same for both
    assert excerpts(last, [100], run_up=60, known_after=10) == (Excerpt(0, 100),)
    assert excerpts(last_moved(np.ones((200, 5))), [100], run_up=6, known_after=10) == ()


def test_excerpts_that_want_nothing_of_each_other_are_played_side_by_side():
    one, other, third = Excerpt(4, 12), Excerpt(24, 32), Excerpt(50, 60)
    assert generations((one, other, third), last_moved(memory_moved([10, 20, 30], [55]))) == [[one, other], [third]]
    assert generations((one, other), last_moved(memory_moved([10], [30]))) == [[one], [other]]
    assert generations((), last_moved(memory_moved([10]))) == []


def test_what_an_excerpt_leaves_holds_until_it_is_moved_again():
    memory = memory_moved([10, 20], [3], [11])[:, None]
    look = Look(Kept(), memory.copy(), last_moved(memory), unknowns=0)
    look.correct(Excerpt(4, 12), np.array([[8.0, 8.0, 8.0]]))
    changed = look.memory != memory
    assert changed[12:21, 0, 0].all() and changed[12:, 0, 2].all() and changed.sum() == 9 + 189
    assert (look.memory[changed] == 8.0).all()


def test_the_look_through_sees_when_the_core_was_moved_last(choked):
    """The largest stops that were moved at all were moved by the loud strokes, and the look sees it in their very
    chunk; it knows their place within a few hundredths of the reach."""
    sound = loud_quiet_loud().reshape(-1, 1)[: 12 * RATE_HZ]
    seen, rig = [], Rig(choked, "draft", RATE_HZ)
    look = look_through(rig, ArraySource(sound), 1, lambda *_: Kept(), cold=False, progress=seen.append)
    chunks = -(-len(sound) // CHUNK_FRAMES)
    assert len(look.memory) == look.states.rows == chunks + 1
    assert seen == sorted(seen) and seen[-1] == len(sound)
    with Player(choked, RATE_HZ, 1, quality="draft") as player:
        (channel,) = player._channels
        memory = []
        for first in range(0, len(sound), CHUNK_FRAMES):
            player.push(sound[first : first + CHUNK_FRAMES])
            memory.append(channel.simulation.state.memory)
    memory = np.array(memory)
    large = np.nonzero(memory[-1] != 0.0)[0][-4:]  # of those that ever slipped
    for number in large:
        last = [int(np.nonzero(np.diff(one[:, number]))[0][-1]) for one in (memory, look.memory[1:, 0])]
        assert abs(last[0] - last[1]) <= 1  # the rate conversion holds a part of a chunk back
        assert last[0] * CHUNK_FRAMES < 4.0 * RATE_HZ
        assert abs(look.memory[-1, 0, number] - memory[-1, number]) < 0.05


@pytest.mark.slow
@pytest.mark.parametrize("channels", [1, 2])
def test_a_splice_in_the_quiet_holds_in_the_next_loud_passage(choked, channels):
    sound = loud_quiet_loud()
    if channels == 2:
        sound = np.column_stack((sound, 0.5 * np.roll(sound, 1000)))
    whole, _, _, _ = played(sound, choked)
    found, _, _, told = played(sound, choked, 2, SegmentPlayer)
    (splice,) = told
    assert splice.at_s < 17.0 and splice.residual_db <= AGREED_DB
    assert 0.0 < np.abs(found - whole).max() and apart_db(found, whole, LEAST_LEVEL) <= AGREED_DB


@pytest.mark.slow
def test_cores_of_the_machine_change_no_bit_of_what_cores_remember(choked, monkeypatch):
    sound, found = loud_quiet_loud(), []
    for number in (1, 2):
        monkeypatch.setattr(os, "cpu_count", lambda number=number: number)
        found.append(played(sound, choked, 4, SegmentPlayer))
    assert found[0][3] and found[0][3] == found[1][3]
    np.testing.assert_array_equal(found[0][0], found[1][0])


@pytest.mark.slow
def test_without_what_it_has_to_know_no_segment_takes_over(choked, monkeypatch):
    """As each would begin with the quick look alone, the one before goes on through the quiet, until a swing that moves
    what is apart, or to the end; what comes out is right all the same."""
    monkeypatch.setattr(recall, "excerpts", lambda *_, **__: ())
    sound = loud_quiet_loud()
    found, _, _, told = played(sound, choked, 2, SegmentPlayer)
    assert all(one.at_s > 18.5 for one in told)
    assert apart_db(found, played(sound, choked)[0], LEAST_LEVEL) <= AGREED_DB


@pytest.mark.slow
def test_the_dunlin_as_shipped_is_spliced():
    sound = 0.7 * programme(20.0)
    dunlin = fetsim.load_unit("dunlin")
    found, _, _, told = played(sound, dunlin, 2, SegmentPlayer)
    assert len(told) == 1
    assert apart_db(found, played(sound, dunlin)[0], LEAST_LEVEL) <= AGREED_DB
