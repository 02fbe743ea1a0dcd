"""The gain-reduction needle: its definition on a log, a burst through a unit, logs that are none."""

import json
from dataclasses import fields

import numpy as np
import pytest

from fetsim.audio.gain_log import GainLog, write_csv
from fetsim.errors import InputError
from fetsim.measurements.needle.procedure import measure_needle, needle_of_log
from fetsim.schematic.load import load_unit
from tests.measurements.units import without_gain_cell

RATE_HZ = 200.0


def log_of(reduction_db, rate_hz=RATE_HZ):
    size = len(reduction_db)
    columns = {field.name: np.zeros(size) for field in fields(GainLog)}
    columns["time_s"] = (np.arange(size) + 0.5) / rate_hz
    columns["gain_reduction_mean_db"] = np.asarray(reduction_db, dtype=float)
    return GainLog(**columns)


@pytest.fixture
def step_log(tmp_path):
    """10 dB from 0.5 s on, second channel half of it."""
    reduction = np.where(np.arange(600) >= 100, 10.0, 0.0)
    path = tmp_path / "gain.csv"
    write_csv([log_of(reduction), log_of(0.5 * reduction)], path)
    return path


def test_step_in_a_log(step_log):
    """99 % after 300 ms, overshoot 1 to 1.5 % (ANSI C16.5 / IEC 60268-17, second-hand)."""
    trace = needle_of_log(step_log)
    assert trace.rate_hz == pytest.approx(RATE_HZ)
    begins_s = 0.5  # of the step, within one row
    reached = trace.time_s[np.argmax(trace.needle_db >= 9.9)] - begins_s
    assert reached == pytest.approx(0.300, abs=1.5 / RATE_HZ)
    deepest, _ = trace.reading_db(trace.deepest_s)
    assert 10.1 < deepest < 10.15
    assert trace.reading_db(2.9) == (pytest.approx(10.0, abs=0.01), 10.0)
    assert "channel 1" in trace.about


def test_other_channel_and_plain_tables(step_log):
    trace = needle_of_log(step_log, channel=2)
    table = json.loads(json.dumps(trace.to_dict(), allow_nan=False))
    assert table["largest_gain_reduction_db"] == 5.0
    assert table["deepest_needle_db"] == pytest.approx(5.06, abs=0.02)
    with pytest.raises(InputError, match="no channel 3; choose from 1, 2"):
        needle_of_log(step_log, channel=3)


def test_last_row_may_be_shorter(tmp_path):
    log = log_of(np.full(50, 3.0))
    log.time_s[-1] -= 0.3 / RATE_HZ
    write_csv([log], tmp_path / "gain.csv")
    assert len(needle_of_log(tmp_path / "gain.csv").time_s) == 49


@pytest.mark.parametrize(
    ("edit", "message"),
    [
        (lambda text: text.replace("gain_reduction_mean_db", "something"), "no column gain_reduction_mean_db"),
        (lambda text: "", "no column channel"),
        (lambda text: text.replace(",10,", ",ten,"), "line 202 is not a row of numbers"),
        (lambda text: text.replace(",10,", ",nan,"), "not finite"),
        (lambda text: "".join(text.splitlines(keepends=True)[:9]), "has 4 rows for channel 1"),
        (lambda text: text.replace("1,0.502500", "1,0.507400"), "not evenly spaced after 0.4"),
        (lambda text: text.replace("1,0.", "1,-0.").replace("1,1.", "1,-1."), "evenly spaced|do not rise"),
    ],
)
def test_files_that_are_no_log(step_log, edit, message):
    step_log.write_text(edit(step_log.read_text()))
    with pytest.raises(InputError, match=message) as caught:
        needle_of_log(step_log)
    assert "\n" not in str(caught.value)


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        needle_of_log(tmp_path / "none.csv")
    (tmp_path / "noise.csv").write_bytes(b"\xff\xfe\x00channel")
    with pytest.raises(InputError, match="is not UTF-8"):
        needle_of_log(tmp_path / "noise.csv")
    with pytest.raises(InputError, match="is not a file"):
        needle_of_log(tmp_path)


@pytest.fixture(scope="module")
def burst():
    return measure_needle(load_unit("teaching"), level_dbu=0.0, before_s=0.1, burst_s=0.8, tail_s=0.6)


def test_burst_through_the_teaching_unit(burst):
    """The channel follows within milliseconds, the needle in 0.3 s; of 27.86 dB of gain 10.95 are left at 0 dBu."""
    assert len(burst.time_s) == 1500
    assert np.all(np.abs(burst.needle_db[:100]) < 0.01)
    needle, reduction = burst.reading_db(0.85)
    assert reduction == pytest.approx(16.9, abs=0.1)
    assert needle == pytest.approx(reduction, abs=0.1)
    assert burst.gain_reduction_db[110] > 15.0 > 1.0 > burst.needle_db[110]
    assert burst.needle_db[-1] < needle


def test_what_cannot_be_shown(tmp_path, burst):
    for outside in (-0.1, 2.0):
        with pytest.raises(InputError, match="outside the trace"):
            burst.reading_db(outside)
    teaching = load_unit("teaching")
    for wrong in ({"burst_s": 0.0}, {"tail_s": -1.0}, {"frequency_hz": 0.0}, {"frequency_hz": 40e3}, {"burst_s": 1e4}):
        with pytest.raises(InputError):
            measure_needle(teaching, **wrong)
    no_cell = without_gain_cell(tmp_path)
    with pytest.raises(InputError, match=r"has no \[gain_cell\]"):
        measure_needle(no_cell)
