"""What the pages that are open share: one desk, one sound, of which one page at a time is the listener.

Everything here runs on the server's loop; what the marching thread and the background say comes in by ``soon``.
"""

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fetsim.errors import FetsimError, InputError
from fetsim.live import messages as m
from fetsim.live import told
from fetsim.live.background import Background
from fetsim.live.desk import START, Desk
from fetsim.live.facts import States
from fetsim.live.figures import Figures, compared, figures_of, loudness_of
from fetsim.live.happened import Happened, Said, Sounded, Strained, Took
from fetsim.live.log import log_text
from fetsim.live.marching import Marching
from fetsim.live.programme import Place
from fetsim.live.scope import Setting
from fetsim.live.session import Session
from fetsim.report.unit.work import change_list_text
from fetsim.schematic.change_list import change_list

MOST_WAITING = 200
"""Messages to one page; a page that does not take them in loses sound, not memory."""
STILL_S = 2.0
"""So long nothing must have been turned before figures are worked out, which takes seconds, and a part of the
sound's core where two are halves of one."""


class Page:
    """One page that is open, and what it is still to be sent."""

    def __init__(self) -> None:
        self.waiting: asyncio.Queue[bytes | str] = asyncio.Queue(MOST_WAITING)

    def send(self, message: bytes | str, *, lasting: bool = True) -> None:
        """Soon. Where the page has stopped to take anything in, what is not ``lasting``, sound and meters, is dropped,
        and of all else what has waited longest: the latest state is always among what it is still to get."""
        if self.waiting.full():
            if not lasting:
                return
            self.waiting.get_nowait()
        self.waiting.put_nowait(message)


class Hub:
    """The session as its pages see it."""

    def __init__(self, session: Session, folder: Path) -> None:
        """``folder``: where a comparison goes, the only thing that is ever written."""
        self.session, self.folder = session, folder
        self.desk = Desk(session.unit)
        self.states = States(session.unit)
        self.strain = ""  # what there is to say of the machine
        self.summaries: dict[str, str] = {}  # of snapshots
        self.background = Background()
        self.marching = Marching(session, self.background, self._from_another_thread)
        self.pages: set[Page] = set()
        self.listener: Page | None = None
        self.playing = False
        self.loudness: dict[str, float | None] = {}
        self.figures: Figures | None = None
        self.working = False  # on them
        self.comparing = False
        self.probes: dict[str, Any] = {"names": [], "units": [], "span_s": 0.01, "rising": True, "level": None}
        self._stood: tuple[str, Place] = (session.now.quality, session.place)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._figures_due: asyncio.TimerHandle | None = None

    async def begin(self) -> None:
        """With the server."""
        self._loop = asyncio.get_running_loop()
        self.marching.start()
        self._work_out()

    def end(self) -> None:
        """All threads and processes, at once."""
        self.marching.end()
        self.background.end()

    def open(self, page: Page) -> None:
        """A page has come: it is told everything."""
        self.pages.add(page)
        page.send(told.hello(self.session, str(self.folder)))
        page.send(self._state())
        page.send(told.text("strain", text=self.strain))
        if self.figures is not None:
            page.send(told.figures(self.figures))

    def close(self, page: Page) -> None:
        """A page has gone; with the listener the sound stands still."""
        self.pages.discard(page)
        if page is self.listener:
            self.listener, self.playing = None, False
            self.marching.leave()

    def take(self, page: Page, text: str | bytes) -> None:
        """A message of a page: done, or answered with one line of what is wrong."""
        try:
            self._do(page, m.read_message(text))
        except FetsimError as error:
            page.send(told.text("wrong", text=str(error)))

    def _do(self, page: Page, message: m.Message) -> None:
        match message:
            case m.Played():
                if page is self.listener:
                    self.marching.heard(message.frame, message.dropouts, message.edition, message.refused)
                return
            case m.Play():
                self._play(page)
            case m.Pause():
                if page is self.listener:
                    self.playing = False
                    self.marching.pause()
            case m.Loop():
                self.marching.go_round(message.from_s, message.to_s, message.at_s)
            case m.InQuality():
                self.marching.want_quality(message.quality)
            case m.Probe():
                units = self.marching.probe(
                    message.names, Setting(span_s=message.span_s, rising=message.rising, level=message.level)
                )
                self.probes = {**message.model_dump(exclude={"do"}), "units": units}
            case m.Export():
                self._export(page, message.what)
                return
            case _:
                self._turn(message)
        self._tell_all(self._state())

    def _turn(self, message: m.Message) -> None:
        desk = self.desk
        match message:
            case m.Change():
                desk.change(message.values)
            case m.Step():
                desk.step(message.name, message.up, message.series)
            case m.Undo():
                desk.undo()
            case m.Redo():
                desk.redo()
            case m.Reset():
                desk.recall(START)
            case m.Recall():
                desk.recall(message.slot)
            case m.Keep():
                desk.keep(message.slot)
                self.summaries[message.slot] = self.states.summary(desk.now)
                self.loudness.pop(message.slot, None)
                self._measure_loudness(message.slot)
        self.marching.want(desk.changes)
        self._work_out()

    def _play(self, page: Page) -> None:
        anew = page is not self.listener
        if anew and self.listener is not None:
            self.listener.send(told.text("taken", text="Another page plays the sound now"))
        self.listener, self.playing = page, True
        page.send(told.text("begin", anew=anew))
        self.marching.play(anew=anew)

    def _export(self, page: Page, what: str) -> None:
        unit, start = self.desk.now, self.session.unit
        if what == "compare":
            versions = self.desk.versions()
            if not versions:
                raise InputError("compare: nothing is changed; turn something or keep a snapshot first")
            if self.comparing:
                raise InputError("compare: one is being written; wait until it is said to be there")
            if self.folder.exists():
                raise InputError(f"compare: {self.folder} exists already; move it away, nothing is overwritten")
            arguments = (self.session.programme.path, start, versions, self.folder, self.session.now.quality)
            self.comparing = True
            self._say(f"Comparing {len(versions) + 1} versions of {self.session.programme.name} in the background")
            self.background.ask("compare", compared, *arguments, told=self._told(self._compared))
            return
        texts: dict[str, Callable[[], str]] = {
            "changes": lambda: _changes_text(self.desk, change_list_text(change_list(start, unit))),
            "unit": lambda: unit.file_text(Path("turned.toml")),
            "log": lambda: log_text(self.session.frame, list(self.session.log)),
        }
        names = {"changes": "changes.txt", "unit": "turned.toml", "log": "log.json"}
        page.send(told.text("file", name=names[what], text=texts[what]()))

    # what comes from elsewhere

    def _from_another_thread(self, happened: Happened) -> None:
        self._soon(lambda: self._happened(happened))

    def _soon(self, then: Callable[[], None]) -> None:
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(then)

    def _told(self, then: Callable[[Any, str], None]) -> Callable[[Any, str], None]:
        return lambda found, error: self._soon(lambda: then(found, error))

    def _happened(self, happened: Happened) -> None:
        match happened:
            case Sounded():
                if self.listener is not None:
                    self.listener.send(told.sound(happened), lasting=False)
                    self.listener.send(told.meters(happened, self.marching.listener.late), lasting=False)
            case Took():
                self._tell_all(told.took(happened))
                if self._stood != (happened.quality, self.session.place):
                    self._tell_all(self._state())  # values are told as soon as they are asked for
            case Strained():
                self.strain = happened.words
                self._tell_all(told.text("strain", text=self.strain))
            case Said():
                if happened.refused:
                    self.desk.give_back(self.session.now.changes)
                    self._work_out()
                    self._tell_all(self._state())
                self._say(happened.text)

    def _work_out(self) -> None:
        """Figures of the present state; what is worked out of an earlier one is not told."""
        changes, self.working = self.desk.changes, True

        def then(found: Figures | None, error: str) -> None:
            if changes == self.desk.changes:
                self._worked_out(found, error)

        def ask() -> None:
            self.background.ask("figures", figures_of, self.desk.now, told=self._told(then))

        if self._figures_due is not None:
            self._figures_due.cancel()
        if self._loop is not None:
            self._figures_due = self._loop.call_later(STILL_S, ask)

    def _worked_out(self, found: Figures | None, error: str) -> None:
        self.figures, self.working = found, False
        self._tell_all(told.text("figures", text=error) if found is None else told.figures(found))

    def _measure_loudness(self, slot: str) -> None:
        programme, place = self.session.programme, self.session.place
        unit = self.desk.of(self.desk.snapshots[slot])

        def then(found: float | None, error: str) -> None:
            self.loudness[slot] = found
            self._tell_all(self._state())

        stretch = programme.samples[place.start : place.end]
        self.background.ask(f"loudness {slot}", loudness_of, unit, stretch, programme.rate_hz, told=self._told(then))

    def _compared(self, found: str | None, error: str) -> None:
        self.comparing = False
        self._say(f"Compare: {error}" if found is None else f"The comparison is written: open {found}/listen.html")

    def _say(self, text: str) -> None:
        self._tell_all(told.text("said", text=text))

    def _tell_all(self, message: bytes | str) -> None:
        for page in self.pages:
            page.send(message)

    # what pages are told

    def _state(self) -> str:
        desk = self.desk
        self._stood = self.session.now.quality, self.session.place
        facts = {
            **self.states.facts(desk.now), "changed": list(desk.changes), **desk.can, "snapshots": self.summaries,
            "heard": desk.heard, "loudness": self.loudness, "working": self.working, "probes": self.probes,
        }  # fmt: skip
        return told.state(self.session, desk.now, facts)


def _changes_text(desk: Desk, work: str) -> str:
    options = "\n".join(f"--change '{name}={value}'" for name, value in desk.changes.items())
    return f"{work or 'nothing is changed'}\n\n{options}\n"
