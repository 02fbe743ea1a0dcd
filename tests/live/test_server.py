"""What the server lets through: its own page, under its own address, and nothing else."""

import http.client
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from fetsim.cli.main import main
from fetsim.live.server import FILES, LOOPBACK, bound
from tests.live.conftest import TOKEN
from tests.live.test_session import bursts


@pytest.fixture
def served(serve):
    return serve(bursts().samples)


def get(served, path, **headers):
    line = http.client.HTTPConnection(LOOPBACK, served.port, timeout=20)
    line.putrequest("GET", path, skip_host=True)
    for name, value in {"Host": served.host, **headers}.items():
        line.putheader(name, value)
    line.endheaders()
    answer = line.getresponse()
    found = answer.status, answer.read().decode(), dict(answer.getheaders())
    line.close()
    return found


def socket_to(served, origin=None):
    return connect(
        f"ws://{served.host}/{TOKEN}/live", origin=origin or f"http://{served.host}", proxy=None, open_timeout=20
    )


def told(socket, kind):
    """The next message of a kind."""
    for _ in range(1000):
        message = socket.recv(timeout=30)
        if isinstance(message, str) and json.loads(message)["is"] == kind:
            return json.loads(message)
    raise AssertionError(kind)


def test_every_file_of_the_page_is_there_with_a_strict_policy(served):
    for name in FILES:
        status, text, headers = get(served, f"/{TOKEN}/{name}")
        assert status == 200 and text
        assert headers["x-content-type-options"] == "nosniff" and headers["cache-control"] == "no-store"
        policy = dict(one.strip().split(" ", 1) for one in headers["content-security-policy"].split(";"))
        assert policy["default-src"] == policy["frame-ancestors"] == "'none'" and policy["script-src"] == "'self'"
        assert "unsafe" not in headers["content-security-policy"]
        assert "http://" not in text.replace("http://www.w3.org", "") and "https://" not in text


@pytest.mark.parametrize("path, headers, status", [
    ("/", {}, 404),
    ("/other/", {}, 404),
    (f"/{TOKEN}/../../etc/passwd", {}, 404),
    (f"/{TOKEN}/%2e%2e%2fserver.py", {}, 404),
    (f"/{TOKEN}/__init__.py", {}, 404),
    (f"/{TOKEN}/", {"Host": "evil.example"}, 403),
    (f"/{TOKEN}/", {"Host": f"localhost.evil.example:{1}"}, 403),
    (f"/{TOKEN}/", {"Origin": "http://evil.example"}, 403),
    (f"/{TOKEN}/", {"Origin": "null"}, 403),
])  # fmt: skip
def test_what_is_not_its_own_is_refused(served, path, headers, status):
    assert get(served, path, **headers)[0] == status


def test_the_socket_asks_for_the_word_and_the_origin(served):
    for url, origin in (
        (f"ws://{served.host}/{TOKEN}/live", "http://evil.example"),
        (f"ws://{served.host}/{TOKEN}/live", None),
        (f"ws://{served.host}/guess/live", f"http://{served.host}"),
    ):
        with pytest.raises((InvalidStatus, ConnectionClosed)), connect(url, origin=origin, proxy=None) as socket:
            socket.recv(timeout=20)


def test_two_pages_share_the_desk_and_one_hears(served):
    with socket_to(served) as one, socket_to(served) as other:
        told(one, "state")
        told(other, "state")
        one.send(json.dumps({"do": "change", "values": {"C2": "220n"}}))
        assert told(other, "state")["values"]["C2"] == "220 nF"
        one.send(json.dumps({"do": "play"}))
        assert told(one, "begin")["anew"]
        first = next(message for message in one if isinstance(message, bytes))
        assert len(first) >= 16
        other.send(json.dumps({"do": "play"}))
        assert told(other, "begin")["anew"]
        assert "Another page" in told(one, "taken")["text"]
        assert told(other, "meters")["frames"] >= 0
    deadline = time.monotonic() + 10
    while (served.hub.playing or served.hub.pages) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not served.hub.playing and not served.hub.pages


def test_a_message_too_large_ends_that_page_alone(served):
    with socket_to(served) as one:
        told(one, "state")
        with socket_to(served) as other:
            told(other, "state")
            other.send("x" * 1_000_000)
            with pytest.raises(ConnectionClosed):
                for _ in range(10):
                    other.recv(timeout=20)
        one.send("{")
        assert "message" in told(one, "wrong")["text"]


def test_a_port_that_is_taken_is_said(tmp_path, capsys):
    at = bound(0)
    soundfile.write(tmp_path / "in.wav", bursts().samples, 48000)
    port = at.getsockname()[1]
    with pytest.raises(SystemExit) as ended:
        main(["turn", "--unit", "teaching", "--no-browser", "--port", str(port), str(tmp_path / "in.wav")])
    assert ended.value.code == 2
    assert f"--port: {port} cannot be had" in capsys.readouterr().err
    at.close()


def test_ctrl_c_ends_all_at_once(tmp_path):
    """With a page that listens, figures being worked out and a comparison being written, and nothing left behind."""
    soundfile.write(tmp_path / "in.wav", np.tile(bursts().samples, (2, 1)), 48000)
    command = [sys.executable, "-m", "fetsim", "turn", "--unit", "teaching", "-q", "draft", "--no-browser", "in.wav"]
    running = subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    address = running.stdout.readline().split()[-1]
    host = address.removeprefix("http://").split("/")[0]
    with connect(f"ws://{address.removeprefix('http://')}live", origin=f"http://{host}", proxy=None) as socket:
        socket.send(json.dumps({"do": "play"}))
        assert told(socket, "meters")
        socket.send(json.dumps({"do": "change", "values": {"C2": "220n"}}))
        socket.send(json.dumps({"do": "export", "what": "compare"}))
        deadline = time.monotonic() + 60
        while not list(tmp_path.glob(".*.part")) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert list(tmp_path.glob(".*.part"))
        children = _children(running.pid)
        running.send_signal(signal.SIGINT)
        out, err = running.communicate(timeout=30)
    running.wait()
    assert running.returncode == 0 and "Ended." in out and err == ""
    deadline = time.monotonic() + 10
    while (left := [one for one in children if _runs(one)]) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert left == []
    assert os.listdir(tmp_path) == ["in.wav"]


def _children(pid):
    path = Path(f"/proc/{pid}/task/{pid}/children")
    return path.read_text().split() if path.exists() else []


def _runs(pid):
    """Whether a process is there that has not ended and only waits to be counted."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
