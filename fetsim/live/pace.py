"""Whether the march keeps up: how much sound has to be ahead of what is heard, and how fine the steps may be.

No clock and no thread in it. It is told what every block took, how much sound was left when it came, how often the
sound has run dry, and whether what replaces it came in time. Where only some blocks come late, more is kept ahead, and
less again when so much has not been needed for a while. Where the march itself takes too long, it falls back to a
coarser quality, and to a finer one again, up to the one asked for, when the machine has shown for long enough that it
can.
"""

from collections import deque
from math import inf
from typing import Literal

from fetsim.rig.quality import QUALITIES

AHEAD_S = 0.4
"""To begin with. A change does not wait for it, since sound is taken back."""
FURTHER, FURTHEST_S = 1.25, 0.8
NEARER = 0.8
QUIET_S = 5.0
"""How long more was ahead than needed before it is less,"""
LEFT_S = 0.1
"""and what would have been left of it at the least, when a block came."""
MARGIN_S, LARGEST_MARGIN_S = 0.08, 0.3
"""Between what is heard and what may still be replaced: a block has to be marched and sent meanwhile, and something has
to be left until as much is ahead again as before; where the march takes more than half of real time that lasts longer,
so that it is more."""
SOON_S = 0.14
"""From when something is asked for to the sound that it replaces: what gets ready sooner leaves so much more ahead."""
WIDER, NARROWER = 1.5, 0.9
"""After a replacement that came too late or ran dry, and after each that did not."""
BUSY, BUSY_S = 0.9, 2.0
"""Share of so much sound that the march may take before it falls back, which what goes on at a beginning does not
reach,"""
LATE = 2
"""or times that the sound ran dry since the last fall, with the most kept ahead."""
REST_S = 3.0
"""Between two falls, and until a strain that has no remedy counts as over."""
EASY, EASY_S = 0.6, 20.0
"""Share of real time that a finer quality may be expected to take, after so long without a drop-out; twice as long
after each fall from it."""

Todo = Literal["coarser", "finer"] | None


class Pace:
    """How one session keeps up."""

    def __init__(self, quality: str, rate_hz: float) -> None:
        self.asked = self.quality = quality
        self.ahead_s = AHEAD_S
        self._margin_s = MARGIN_S
        self._rate_hz = rate_hz
        self._easy_s = EASY_S
        self._fallen = self._hopeless = False
        self._dry = self._dry_when_fallen = 0
        self._rest_s = 0.0  # of sound since the last fall
        self.begin()

    def begin(self) -> None:
        """Anew: what was measured before does not count."""
        self._blocks: deque[tuple[float, float]] = deque()
        self._calm_s = self._quiet_s = 0.0
        self._least_s = inf

    def ask(self, quality: str) -> None:
        """The user wants this one."""
        self.asked, self._easy_s = quality, EASY_S
        self._fallen = self._hopeless = False

    def goes_on_in(self, quality: str) -> None:
        """What is marched from now on."""
        if quality != self.quality:
            self.quality = quality
            self._fallen = self._fallen and quality != self.asked
            self.begin()

    @property
    def busy(self) -> float:
        """Share of real time that the march takes."""
        return sum(one for one, _ in self._blocks) / max(sum(one for _, one in self._blocks), 1e-9)

    def block(self, taken_s: float, length_s: float, spare_s: float, dry: int) -> Todo:
        """A block has been sent; what is to be done about the quality. ``dry``: drop-outs so far."""
        self._blocks.append((taken_s, length_s))
        if len(self._blocks) * length_s > BUSY_S:
            self._blocks.popleft()
        new, self._dry = dry - self._dry, dry
        self._rest_s += length_s
        self._calm_s = 0.0 if new else self._calm_s + length_s
        self._hopeless = self._hopeless and self._calm_s < REST_S
        if (self._is_slow or self._is_dry) and self._rest_s > REST_S:
            return self._fall()
        self._keep_ahead(new, spare_s, length_s)
        return "finer" if self._may_rise else None

    @property
    def margin_s(self) -> float:
        """So far behind what is heard may be replaced."""
        return self._margin_s * 0.5 / min(max(1.0 - self.busy, 0.05), 0.5)

    def replaced_behind_s(self, waited_s: float) -> float:
        """So far behind what is heard is replaced by what was asked for so long ago."""
        return max(self.margin_s, SOON_S - waited_s)

    def replaced(self, *, in_time: bool) -> None:
        """Sound has been replaced, or should have been."""
        margin_s = self._margin_s * (NARROWER if in_time else WIDER)
        self._margin_s = min(max(margin_s, MARGIN_S), LARGEST_MARGIN_S)

    @property
    def words(self) -> str:
        """What the user is to know for as long as it is so."""
        found = []
        if self._hopeless:
            found.append(f"The machine cannot keep up even in {self.quality}: the sound has run dry {self._dry} times. "
                         "End other programs, or take a recording of one channel.")  # fmt: skip
        elif self._fallen and self.quality != self.asked:
            found.append(f"The machine could not keep up in {self.asked}: the sound goes on in {self.quality}, and in "
                         "the finer one again when there is time for it.")  # fmt: skip
        if self.ahead_s > AHEAD_S:
            found.append(f"Sound came late: {1000 * self.ahead_s:.0f} ms of it are kept ahead now instead of "
                         f"{1000 * AHEAD_S:.0f}.")  # fmt: skip
        return " ".join(found)

    def next_to(self, todo: Literal["coarser", "finer"]) -> str:
        """The neighbouring quality; the same where there is none."""
        names = list(QUALITIES)
        place = names.index(self.quality) + (1 if todo == "finer" else -1)
        return names[min(max(place, 0), len(names) - 1)]

    @property
    def _is_slow(self) -> bool:
        return self._is_measured and self.busy > BUSY

    @property
    def _is_measured(self) -> bool:
        return bool(self._blocks) and (len(self._blocks) + 1) * self._blocks[-1][1] > BUSY_S

    @property
    def _is_dry(self) -> bool:
        return self.ahead_s >= FURTHEST_S and self._dry - self._dry_when_fallen >= LATE

    @property
    def _may_rise(self) -> bool:
        finer = self.next_to("finer")
        if not self._fallen or self.quality == self.asked or self._calm_s < self._easy_s:
            return False
        return self.busy * self._steps(finer) / self._steps(self.quality) < EASY

    def _fall(self) -> Todo:
        ran_dry, self._dry_when_fallen = self._dry > self._dry_when_fallen, self._dry
        self._rest_s = 0.0
        self._easy_s *= 2.0
        self.begin()
        if self.next_to("coarser") != self.quality:
            self._fallen = True
            return "coarser"
        self._hopeless = self._hopeless or ran_dry
        return None

    def _keep_ahead(self, new: int, spare_s: float, length_s: float) -> None:
        self._quiet_s = 0.0 if new else self._quiet_s + length_s
        self._least_s = inf if new else min(self._least_s, spare_s)
        nearer_s = max(NEARER * self.ahead_s, AHEAD_S)
        if new:
            self.replaced(in_time=False)
            self.ahead_s = min(FURTHER * self.ahead_s, FURTHEST_S)
        elif self._quiet_s > QUIET_S:
            if self._least_s - (self.ahead_s - nearer_s) > LEFT_S:
                self.ahead_s = nearer_s
            self._quiet_s, self._least_s = 0.0, inf

    def _steps(self, quality: str) -> int:
        return QUALITIES[quality].factor(self._rate_hz)


