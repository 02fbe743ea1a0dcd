"""Keeping up, without a page and without a clock: what is done where sound comes late, and the thread that does it."""

import random
import time

import numpy as np
import pytest

from fetsim.audio.oversampling import EDGE_FRAMES
from fetsim.errors import ConvergenceError
from fetsim.live.background import Background
from fetsim.live.happened import Said, Sounded, Strained, Took
from fetsim.live.listener import BLIND_S, Listener
from fetsim.live.marching import Marching
from fetsim.live.pace import AHEAD_S, EASY_S, FURTHEST_S, MARGIN_S, QUIET_S, REST_S, Pace
from fetsim.live.replay import replay
from fetsim.live.session import Session
from fetsim.live.voices import Voices
from fetsim.schematic.load import load_unit
from tests.live.test_session import bursts

RATE_HZ = 48000
BLOCK_S = 0.02


def until(true, patience_s=30.0):
    end_s = time.monotonic() + patience_s
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.005)


def played(keeping, seconds, *, busy=0.4, spare_s=0.2, dry=0):
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
    played(needed, 4 * QUIET_S, dry=1, spare_s=0.12)  # some block came with 120 ms left: less would have run dry
    assert needed.ahead_s == keeping.ahead_s
    played(keeping, 4 * QUIET_S, dry=1, spare_s=0.3)
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
    listener.begin(0)
    listener.play(0.0)
    listener.send(4800, 0.0)
    assert listener.ahead_s(5.0) == pytest.approx(0.1)  # it has not begun to play
    listener.told(480, 0, 10.0)
    assert listener.ahead_s(10.05) == pytest.approx(0.04) and listener.frame(10.05) == 480 + 2400
    assert listener.ahead_s(10.05 + 3600.0) == pytest.approx(0.09 - BLIND_S)
    assert listener.ahead_s(9.0) == pytest.approx(0.09)
    assert listener.late == 0 and listener.is_still(10.3) and not listener.is_still(10.05)
    for _ in range(3):
        listener.send(480, 10.2)
    assert listener.late == 1  # a row of blocks, not each of them
    listener.told(3000, 2, 10.3)
    listener.told(2000, 2, 10.3)
    assert listener.dry == 2 and listener.ahead_s(10.3) == pytest.approx((4800 + 1440 - 3000) / RATE_HZ)
    listener.take_back(3600)
    assert listener.send(480, 10.3) == pytest.approx(600 / RATE_HZ)
    assert listener.ahead_s(10.3) == pytest.approx((3600 + 480 - 3000) / RATE_HZ)
    listener.pause()
    assert listener.is_still(10.3) and listener.frame(10.4) == 3000
    listener.begin(9000)
    listener.told(9000, 1, 11.0)
    assert listener.dry == 3 and listener.ahead_s(11.0) == 0.0


class Played:
    """A session that is marched for a page of which nothing is there but what it has been sent: the page's buffer as
    the browser has it, in Python."""

    def __init__(self, unit="teaching", quality="draft"):
        self.unit, self.programme = load_unit(unit), bursts()
        self.told = []
        self.session = Session(self.unit, self.programme, quality)
        self.marching = Marching(self.session, Background(), self.told.append)
        self.taken = self.at = self.edition = self.refused = 0
        self.sound = np.zeros((0, 1))  # what it has, from frame 0 on
        self.marching.start()
        self.marching.play(anew=True)

    def take_in(self):
        """All that has been sent."""
        blocks = [one for one in self.told[self.taken :] if isinstance(one, Sounded)]
        self.taken = len(self.told)
        for one in blocks:
            if one.edition != self.edition:
                if one.edition == self.refused or one.since != one.heard.first_frame or one.since < self.at:
                    self.refused = one.edition
                    continue
                self.edition = one.edition
            assert one.heard.first_frame <= len(self.sound)
            self.sound = np.concatenate((self.sound[: one.heard.first_frame], one.heard.output))

    def hear(self, frames):
        """So much of it, and tell."""
        self.at = min(self.at + frames, len(self.sound))
        self.tell()

    def tell(self):
        self.marching.heard(self.at, 0, self.edition, self.refused)

    def until(self, true):
        """Takes in and tells until it is so."""

        def goes():
            self.take_in()
            self.tell()
            return true()

        until(goes)

    def took(self):
        return [one.at_frame for one in self.told if isinstance(one, Took)]

    def end(self):
        """What was heard is what the log replays."""
        self.marching.end()
        made = replay(self.unit, self.programme, self.session.log, self.session.frame, "draft")
        assert np.array_equal(made[: self.at], self.sound[: self.at])


@pytest.fixture
def played_by(monkeypatch):
    monkeypatch.setattr(Pace, "busy", 0.3)  # on a busy machine little is taken back
    page = Played()
    yield page
    page.end()


def test_a_change_takes_the_place_of_sound_that_is_not_yet_heard(played_by):
    """It is heard within the margin and a block of where the page is, however much was kept ahead."""
    page = played_by
    page.until(lambda: len(page.sound) >= AHEAD_S * RATE_HZ)
    page.hear(4000)
    page.marching.want({"C2": "330n"})
    page.until(lambda: page.took() and page.edition == 1)
    latest = 4000 + (MARGIN_S + BLIND_S) * RATE_HZ + EDGE_FRAMES + page.session.block  # it counts on for so long
    assert 4000 < page.took()[-1] <= latest < 4000 + AHEAD_S * RATE_HZ
    page.marching.go_round(0.1, 0.4, None)
    page.until(lambda: page.edition == 2 and len(page.sound) >= AHEAD_S * RATE_HZ)
    page.hear(12_000)
    assert [one.kind for one in page.session.log] == ["change", "loop"]


def test_what_comes_too_late_is_refused_and_turned_later(played_by):
    """Each of the two that are offered while the page plays on without taking anything in."""
    page = played_by
    page.until(lambda: len(page.sound) >= AHEAD_S * RATE_HZ)
    page.marching.want({"C2": "330n"})
    until(lambda: page.took())
    page.hear(page.took()[0])
    page.until(lambda: page.edition == 2)
    assert page.refused == 1 and page.took()[1] > page.took()[0] and page.marching.pace.margin_s >= MARGIN_S
    page.until(lambda: len(page.sound) >= page.at + AHEAD_S * RATE_HZ)
    page.hear(9000)
    assert [one.frame for one in page.session.log] == page.took()[-1:]


def test_values_without_a_solution_are_taken_back_before_they_are_heard(played_by, monkeypatch):
    page = played_by
    page.until(lambda: len(page.sound) >= AHEAD_S * RATE_HZ)
    play = Voices.play

    def fails(self, instant, sound):
        if self.ready.unit != page.unit and instant.frame > page.took()[0] + 2048:
            raise ConvergenceError("no convergence around C2")
        return play(self, instant, sound)

    monkeypatch.setattr(Voices, "play", fails)
    page.marching.want({"C2": "330n"})
    page.until(lambda: any(isinstance(one, Said) for one in page.told))
    page.until(lambda: page.edition == 2 and len(page.sound) >= AHEAD_S * RATE_HZ)
    assert page.session.log == [] and page.session.now.changes == {}
    page.hear(9000)


def test_the_thread_counts_on_both_sides_and_says_what_it_does():
    """A listener who has heard all that was sent waits for the next block, whatever the machine."""
    page = Played()
    page.until(lambda: len(page.sound) >= AHEAD_S * RATE_HZ)
    playing = page.marching
    assert playing.listener.late == playing.listener.dry == 0
    assert not any(isinstance(one, Strained) for one in page.told)
    before = len(page.sound)
    playing.heard(before, 1, 0, 0)
    until(lambda: any(isinstance(one, Strained) for one in page.told))
    assert playing.listener.dry == 1 and playing.pace.ahead_s > AHEAD_S

    def sent():
        page.take_in()
        return len(page.sound)

    until(lambda: sent() - before >= playing.pace.ahead_s * RATE_HZ)
    time.sleep(0.1)  # it says nothing more, as if it slept
    assert sent() - before <= (playing.pace.ahead_s + BLIND_S) * RATE_HZ + 2 * playing.session.block
    playing.heard(sent(), 1, 0, 0)
    more = sent()
    until(lambda: sent() > more)
    page.end()


def test_the_slower_the_march_the_more_is_left_of_what_is_ahead():
    """A march of share ``busy`` of real time makes up for what was taken back in busy / (1 - busy) of it."""
    keeping = Pace("standard", RATE_HZ)
    played(keeping, 2.0, busy=0.35)
    assert keeping.margin_s == MARGIN_S
    played(keeping, 2.1, busy=0.75)
    assert keeping.margin_s == pytest.approx(2.0 * MARGIN_S, rel=0.02)
    keeping.replaced(in_time=False)
    assert keeping.margin_s == pytest.approx(3.0 * MARGIN_S, rel=0.02)
    for _ in range(9):
        keeping.replaced(in_time=True)
    assert keeping.margin_s == pytest.approx(2.0 * MARGIN_S, rel=0.02)


def test_whatever_is_turned_whenever_what_is_heard_is_what_the_log_replays(played_by):
    """Values faster than they get ready, jumps with them, qualities while sound is taken back, pauses, and a page that
    takes nothing in for a while, so that it refuses."""
    storm(played_by, seed=1, seconds=2.0)


def storm(page, seed, seconds):
    draw = random.Random(seed)
    do = [
        lambda: page.marching.want({"C2": draw.choice(["100n", "330n", "1u"]), "R3": draw.choice([470.0, 2200.0])}),
        lambda: page.marching.want({}),
        lambda: page.marching.go_round(draw.random() * 0.2, 0.3 + draw.random() * 0.2, None),
        lambda: page.marching.want_quality(draw.choice(["draft", "standard"])),
        page.marching.pause,
        lambda: page.marching.play(anew=False),
    ]
    for _ in range(round(seconds / 0.02)):
        for _ in range(draw.choice([0, 0, 1, 1, 2, 3])):
            draw.choice(do)()
        if draw.random() < 0.3:
            page.take_in()
        page.hear(draw.choice([0, 100, 300, 2000]))
        time.sleep(0.01 * draw.random())
    page.marching.play(anew=False)
    page.until(lambda: page.marching._offered is None and len(page.sound) >= page.at + AHEAD_S * RATE_HZ)
