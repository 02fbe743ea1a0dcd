"""What the page that listens has been sent, and how much of it it has heard: in frames of the session's output, by
instants that it is given.

The page tells how far it is some 20 times a second; in between its audio clock goes on, and so does this count, for
``BLIND_S`` at the most: a page that is silent for longer, because the machine sleeps or its tab stands still, is sent
nothing more until it speaks.
"""

BLIND_S = 0.25


class Listener:
    """One page at a time; ``dry`` and ``late`` are of all of them."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self.dry = 0
        """Times that the sound ran dry there."""
        self.late = 0
        """Blocks, or rows of them, that were sent when all before them must have been heard."""
        self._is_late = False
        self._first = self._sent = self._furthest = self._heard = self._dry_here = 0
        self._told_s = 0.0
        self._plays = False

    def begin(self, frame: int) -> None:
        """Another page, that has heard nothing yet and is sent what comes from this frame on."""
        self._first = self._sent = self._furthest = self._heard = frame
        self._dry_here = 0

    def play(self, now_s: float) -> None:
        """It goes on."""
        self._plays, self._is_late, self._told_s = True, False, now_s

    def pause(self) -> None:
        """It stands still."""
        self._plays = False

    def told(self, frame: int, dropouts: int, now_s: float) -> None:
        """How far it has come, and how often its sound has run dry."""
        self._heard = max(self._heard, min(frame, self._furthest))
        self._told_s = now_s
        self.dry += max(dropouts - self._dry_here, 0)
        self._dry_here = max(dropouts, self._dry_here)

    def is_still(self, now_s: float) -> bool:
        """Whether nothing more is heard of it until it speaks."""
        return not self._plays or now_s - self._told_s > BLIND_S

    def frame(self, now_s: float) -> int:
        """Which it hears."""
        return self._heard + round(self._since_s(now_s) * self._rate_hz)

    def ahead_s(self, now_s: float) -> float:
        """How much of what was sent is still to be heard; below zero where it waits."""
        return (self._sent - self._heard) / self._rate_hz - self._since_s(now_s)

    def take_back(self, frame: int) -> None:
        """What it has from this frame on is to be replaced, or what it has reaches as far."""
        self._sent = frame
        self._is_late = True  # where that comes too late it is refused, which is no block that is late

    def send(self, frames: int, now_s: float) -> float:
        """So many frames more go to it now; how much was left before them [s]."""
        spare_s = self.ahead_s(now_s)
        late = self._heard > self._first and spare_s < 0.0
        self.late += late and not self._is_late
        self._is_late = late
        self._sent += frames
        self._furthest = max(self._furthest, self._sent)
        return spare_s

    def _since_s(self, now_s: float) -> float:
        """Since it told how far it is; one that has heard nothing yet waits for its buffer to fill."""
        waits = self._heard == self._first or not self._plays
        return 0.0 if waits else min(max(now_s - self._told_s, 0.0), BLIND_S)
