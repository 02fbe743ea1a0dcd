"""A live page as it is served, for the tests of this room."""

import threading
import time

import pytest
import uvicorn

from fetsim.live.hub import Hub
from fetsim.live.programme import programme_of
from fetsim.live.server import LOOPBACK, bound, configured
from fetsim.live.session import Session
from fetsim.schematic.load import load_unit

TOKEN = "word"


class Served:
    """A hub behind a server on a thread."""

    def __init__(self, hub):
        self.hub = hub
        at = bound(0)
        self.port = at.getsockname()[1]
        self.server = uvicorn.Server(configured(hub, TOKEN, self.port))
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [at]}, daemon=True)
        self.thread.start()
        while not self.server.started:
            time.sleep(0.01)

    @property
    def host(self):
        return f"{LOOPBACK}:{self.port}"

    @property
    def url(self):
        return f"http://{self.host}/{TOKEN}/"

    def cut(self):
        """Every line to a page, from the thread that serves them."""
        loop = self.hub._loop
        for line in list(self.server.server_state.connections):
            loop.call_soon_threadsafe(line.transport.abort)

    def end(self):
        self.server.should_exit = True
        self.thread.join(10)
        assert not self.thread.is_alive()


@pytest.fixture
def serve(tmp_path, monkeypatch):
    """Serves a unit playing samples [shape=(n, channels)]; figures in the background are left out unless asked for."""
    running = []

    def make(samples, rate_hz=48000, unit="teaching", quality="draft", figures=False):
        if not figures:
            monkeypatch.setattr(Hub, "_work_out", lambda self: None)
        unit = load_unit(unit) if isinstance(unit, str) else unit
        hub = Hub(Session(unit, programme_of(samples, rate_hz, "bursts.wav"), quality), tmp_path / "compared")
        running.append(Served(hub))
        return running[-1]

    yield make
    for one in running:
        one.end()
