"""Unit files as they come: damaged, absurd, malicious. Every mistake in a located line, and nothing is run."""

import numpy as np
import pytest

from tests.attacks.conftest import TEACHING

LINES = [number for number, line in enumerate(TEACHING.splitlines()) if line.strip() and not line.startswith("#")]


def located(outcome):
    """Shown, or refused in lines that begin with the file's name."""
    assert "Traceback" not in outcome.err and outcome.before == outcome.after
    if outcome.status:
        assert outcome.status == 2 and outcome.out == ""
        assert all(line.startswith(("fetsim: bad.toml", "fetsim: and ")) for line in outcome.err.splitlines()), (
            outcome.err
        )


@pytest.fixture
def show(place, attack):
    def run(text):
        (place / "bad.toml").write_bytes(text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass"))
        return attack("show", "-u", "bad.toml")

    return run


@pytest.mark.parametrize("number", LINES)
def test_a_line_left_out(show, number):
    lines = TEACHING.splitlines()
    located(show("\n".join(lines[:number] + lines[number + 1 :])))


@pytest.mark.parametrize("seed", range(20))
def test_letters_turned_over(show, seed):
    random = np.random.default_rng(seed)
    text = bytearray(TEACHING.encode())
    for at in random.integers(0, len(text), 10):
        text[at] = int(random.integers(32, 127))
    located(show(bytes(text)))


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"\0",
        b"\xff\xfe",
        b"\xef\xbb\xbf",
        b"[" * 5000,
        b"a = " + b"[" * 50_000,
        b"a = " + b"9" * 100_000,
        b"a = 1\na = 2",
        b"name = 'x'",
        b"stages = 1",
        b"[stages]",
        b"[stages.a]",
        b"[stages.a.parts]",
        b"[stages.a.parts.R1]",
        b"name = '\x1b[31m'",
        b"x" * 2_000_001,
        b"name = 1979-05-27",
        b"[devices.x]\nkind = 'jfet'",
        b'name = "\\u202e"',
    ],
    ids=range(19),
)
def test_no_unit_at_all(show, text):
    outcome = show(text)
    located(outcome)
    assert outcome.status == 2


@pytest.mark.parametrize(
    "value",
    [
        "nan",
        "inf",
        "-1",
        "0",
        "1e400",
        "'4k7'",
        "'4M7F'",
        "''",
        "[]",
        "{}",
        "true",
        "'" + "1" * 500 + "'",
        "'__import__(\"os\")'",
        "'1;2'",
    ],
)
@pytest.mark.parametrize("key", ["gain = 25.0", "temperature_c = 26.83", "full_scale_dbu = 18.0", 'i_dss = "15mA"'])
def test_a_value_that_is_none(show, key, value):
    assert key in TEACHING
    located(show(TEACHING.replace(key, f"{key.partition('=')[0]}= {value}")))


@pytest.mark.parametrize("letter", ["\u2028", "\u2029", "\u202e", "\u0007", "\u0085"])
def test_names_that_steer(show, letter):
    outcome = show(TEACHING.replace("Teaching loop", f"Teaching\\u{ord(letter):04x}loop"))
    located(outcome)
    assert outcome.status == 2
