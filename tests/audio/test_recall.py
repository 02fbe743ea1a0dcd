"""Long sound in segments through cores that remember: loud, quiet, loud again, cut in the quiet."""

import numpy as np
import pytest

import fetsim
from fetsim.audio import recall, segments
from fetsim.audio.arrays import ArraySource
from fetsim.audio.player import Player
from fetsim.audio.recall import Excerpt, excerpts
from fetsim.audio.scout import look_through
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
    long_enough = int(8 * segments.SHORTEST_REMEMBERING_S + segments.OVERLAP_S + 1) * RATE_HZ
    assert begun(dunlin, long_enough - 2 * RATE_HZ, RATE_HZ, 1, segments=True) == (0,)
    assert len(begun(dunlin, long_enough, RATE_HZ, 1, segments=True)) == 8
    assert begun(dunlin, 60 * minute, RATE_HZ, 2, segments=True) == (0,)  # each has a core of its own
    assert len(begun(PLAIN_IRON, 2 * minute, RATE_HZ, 1, segments=True)) > 1


def test_excerpts_are_the_last_moments_of_what_is_still_to_be_known():
    moved = np.zeros((200, 5), dtype=bool)
    moved[[10, 40], 0] = True  # was moved last in 40, again far behind the cut
    moved[190, 0] = True
    moved[60, 1] = True
    moved[[60, 104], 2] = True  # 104 is so near behind the cut that its run-up begins before it,
    moved[[20, 107], 3] = True  # 107 is not
    found = excerpts(moved, 100, run_up=6, known_after=10)
    assert found == (Excerpt(34, 41), Excerpt(54, 61), Excerpt(98, 100))  # the fifth is as at the start
    assert excerpts(moved, 100, run_up=30, known_after=10) == (Excerpt(10, 100),)
    assert excerpts(np.zeros((200, 5), dtype=bool), 100, run_up=6, known_after=10) == ()


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
