"""The thread that marches, without a page: what it does where sound comes late."""

import time

from fetsim.live import marching
from fetsim.live.background import Background
from fetsim.live.marching import AHEAD_S, Held, Marching, Sounded
from fetsim.live.session import Session
from fetsim.schematic.load import load_unit
from tests.live.test_session import bursts


def until(true, patience_s=30.0):
    end_s = time.monotonic() + patience_s
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.005)


def test_what_comes_late_is_counted_on_both_sides_and_more_is_kept_ahead(monkeypatch):
    """A listener who has heard all that was sent waits for the next block, whatever the machine."""
    monkeypatch.setattr(marching, "BUSY", 1e9)  # however slow this machine is, it is not for its quality
    told = []
    playing = Marching(Session(load_unit("teaching"), bursts(), "draft"), Background(), told.append)

    def sent():
        return sum(len(one.heard.output) for one in told if isinstance(one, Sounded))

    playing.start()
    playing.play(anew=True)
    until(lambda: sent() >= AHEAD_S * 48000)
    assert playing.late == playing.dry == 0 and not any(isinstance(one, Held) for one in told)
    before = sent()
    playing.heard(before, 1)
    until(lambda: any(isinstance(one, Held) for one in told))
    assert playing.dry == 1 and playing.late == 1 and playing.ahead_s > AHEAD_S
    until(lambda: sent() - before >= playing.ahead_s * 48000)
    assert playing.late == 1  # a row of blocks, not each of them
    playing.end()
