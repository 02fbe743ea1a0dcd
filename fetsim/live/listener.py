"""What the page that listens has been sent, and how much of it it has heard: in frames, by instants that it is given.

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
        self._sent = self._heard = self._dry_here = 0
        self._told_s = 0.0

    def begin(self, now_s: float, *, anew: bool) -> None:
        """It plays on; ``anew``: another one, that has heard nothing yet."""
        if anew:
            self._sent = self._heard = self._dry_here = 0
        self._is_late = False
        self._told_s = now_s

    def told(self, frames: int, dropouts: int, now_s: float) -> None:
        """How far it has come, and how often its sound has run dry."""
        self._heard = max(self._heard, min(frames, self._sent))
        self._told_s = now_s
        self.dry += max(dropouts - self._dry_here, 0)
        self._dry_here = max(dropouts, self._dry_here)

    def ahead_s(self, now_s: float) -> float:
        """How much of what was sent is still to be heard; below zero where it waits."""
        return (self._sent - self._heard) / self._rate_hz - self._since_s(now_s)

    def send(self, frames: int, now_s: float) -> float:
        """So many frames go to it now; how much was left before them [s]."""
        spare_s = self.ahead_s(now_s)
        late = self._heard > 0 and spare_s < 0.0
        self.late += late and not self._is_late
        self._is_late = late
        self._sent += frames
        return spare_s

    def _since_s(self, now_s: float) -> float:
        """Since it told how far it is; one that has heard nothing yet waits for its buffer to fill."""
        return min(max(now_s - self._told_s, 0.0), BLIND_S) if self._heard else 0.0
