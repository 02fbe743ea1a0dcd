"""Keeping up, without a page and without a clock: what is done where sound comes late, and the thread that does it."""

import time

import pytest

from fetsim.live.background import Background
from fetsim.live.listener import BLIND_S, Listener
from fetsim.live.marching import Held, Marching, Sounded, Strained
from fetsim.live.pace import AHEAD_S, EASY_S, FURTHEST_S, QUIET_S, REST_S, Pace
from fetsim.live.session import Session
from fetsim.schematic.load import load_unit
from tests.live.test_session import bursts

RATE_HZ = 48000
BLOCK_S = 0.02


def until(true, patience_s=30.0):
    end_s = time.monotonic() + patience_s
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.005)


def played(keeping, seconds, *, busy=0.4, spare_s=0.06, dry=0):
    """Blocks for so long, each taking that share of it; what was to be done about the quality, once each."""
    found = []
    for _ in range(round(seconds / BLOCK_S)):
        todo = keeping.block(busy * BLOCK_S, BLOCK_S, spare_s, dry)
        if todo is not None:
            keeping.goes_on_in(keeping.next_to(todo))
            found.append(keeping.quality)
    return found


def test_more_is_kept_ahead_after_a_drop_out_and_less_again_when_it_is_not_needed():
    keeping = Pace("standard", RATE_HZ)
    played(keeping, 1.0, dry=1)
    assert keeping.ahead_s == pytest.approx(1.25 * AHEAD_S) and "kept ahead" in keeping.words
    needed = Pace("standard", RATE_HZ)
    played(needed, 1.0, dry=1)
    played(needed, 4 * QUIET_S, dry=1, spare_s=0.02)  # some block came with 20 ms left: less would have run dry
    assert needed.ahead_s == keeping.ahead_s
    played(keeping, 4 * QUIET_S, dry=1, spare_s=0.1)
    assert keeping.ahead_s == AHEAD_S and keeping.words == ""
    assert keeping.quality == "standard"


def test_what_begins_badly_does_not_fall_back():
    """Two seconds must have been too slow; single drop-outs are none of the quality."""
    keeping = Pace("standard", RATE_HZ)
    assert played(keeping, 0.5, busy=3.0, dry=2) == [] and played(keeping, 10.0, dry=2) == []


def test_it_falls_back_and_rises_again_where_the_finer_quality_has_room():
    """Standard has twice the steps of draft, so 25 % there are 50 % in standard, and 35 % would be 70 %."""
    keeping = Pace("standard", RATE_HZ)
    assert played(keeping, REST_S + 1.0, busy=1.2) == ["draft"]
    assert "could not keep up in standard" in keeping.words
    assert played(keeping, 3 * EASY_S, busy=0.35) == []
    keeping.begin()
    assert played(keeping, 2 * EASY_S - 1.0, busy=0.25) == []
    assert played(keeping, 2.0, busy=0.25) == ["standard"] and keeping.words == ""
    assert played(keeping, REST_S + 1.0, busy=1.2) == ["draft"]
    assert played(keeping, 3 * EASY_S, busy=0.25) == []  # it was wrong once, so it waits for longer
    keeping.ask("draft")
    assert keeping.words == "" and played(keeping, 20 * EASY_S, busy=0.1) == []


def test_what_has_no_remedy_is_said_as_long_as_it_is_so():
    keeping = Pace("draft", RATE_HZ)
    for dry in range(1, 9):
        played(keeping, 1.0, busy=1.2, dry=dry)
    assert keeping.ahead_s <= FURTHEST_S and "even in draft" in keeping.words
    played(keeping, 2 * REST_S + 0.1, dry=8)
    assert "even in draft" not in keeping.words


def test_a_listener_is_counted_on_between_its_messages_but_not_for_ever():
    """A page that sleeps for minutes, or a clock that jumps, is sent no more than it can hear on waking."""
    listener = Listener(RATE_HZ)
    listener.begin(0.0, anew=True)
    listener.send(4800, 0.0)
    assert listener.ahead_s(5.0) == pytest.approx(0.1)  # it has not begun to play
    listener.told(480, 0, 10.0)
    assert listener.ahead_s(10.05) == pytest.approx(0.04)
    assert listener.ahead_s(10.05 + 3600.0) == pytest.approx(0.09 - BLIND_S)
    assert listener.ahead_s(9.0) == pytest.approx(0.09)
    assert listener.late == 0
    for _ in range(3):
        listener.send(480, 10.2)
    assert listener.late == 1  # a row of blocks, not each of them
    listener.told(3000, 2, 10.3)
    listener.told(2000, 2, 10.3)
    assert listener.dry == 2 and listener.ahead_s(10.3) == pytest.approx((4800 + 1440 - 3000) / RATE_HZ)
    listener.begin(11.0, anew=True)
    listener.told(0, 1, 11.0)
    assert listener.dry == 3


def test_the_thread_counts_on_both_sides_and_says_what_it_does():
    """A listener who has heard all that was sent waits for the next block, whatever the machine."""
    told = []
    playing = Marching(Session(load_unit("teaching"), bursts(), "draft"), Background(), told.append)

    def sent():
        return sum(len(one.heard.output) for one in told if isinstance(one, Sounded))

    playing.start()
    playing.play(anew=True)
    until(lambda: sent() >= AHEAD_S * RATE_HZ)
    assert playing.listener.late == playing.listener.dry == 0 and not any(isinstance(one, Held) for one in told)
    before = sent()
    playing.heard(before, 1)
    until(lambda: any(isinstance(one, Strained) for one in told))
    assert playing.listener.dry == 1 and playing.pace.ahead_s > AHEAD_S
    until(lambda: sent() - before >= playing.pace.ahead_s * RATE_HZ)
    time.sleep(0.1)  # it says nothing more, as if it slept
    assert sent() - before <= (playing.pace.ahead_s + BLIND_S) * RATE_HZ + 2 * playing.session.block
    playing.heard(sent(), 1)
    more = sent()
    until(lambda: sent() > more)
    playing.end()
