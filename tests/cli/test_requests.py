"""Requests that would take days, or all memory, are refused in one line before anything begins."""

import logging

import numpy as np
import pytest
import soundfile

import fetsim
from fetsim.cli.main import main
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.steady import settle, whole_period
from fetsim.measurements.timing.procedure import measure_timing
from fetsim.rig.request import check_work, in_words, settling_s

ABSURD = {
    "curve --level=-1e308:1e308:1": "--level: '-1e308:1e308:1' means",
    "curve --level 0:1:1e-320": "--level: '0:1:1e-320' means",
    "curve --frequency=1e-9": "frequency: 1e-09 Hz cannot be played",
    "curve --frequency=1e-4": "frequency: 0.0001 Hz cannot be played",
    "curve --wait=1e9": "of computing on one core; give fewer levels, switch settings or seconds to wait",
    "curve --wait=inf": "wait: is inf",
    "timing --vary C2=0:1:1e-320": "--vary: '0:1:1e-320' means",
    "timing --vary R1=1000:2999:1 --vary R2=1000:2999:1": "vary: these are 4000000 settings; 5000 at the most",
    "timing --vary R1=1000:2999:1 --vary R2=1000:2999:1 --vary R3=1000:2999:1": "vary: these are 8000000000 settings",
    "timing --frequency=1e-6": "frequency: 1e-06 Hz cannot be played",
    "timing --level=inf --before=0": "level: inf dBu is none",
    "timing --before=-1e999": "--before: '-1e999' is neither a level in dBu nor silence",
    "timing --phases=100000000": "phases: give a number from 1 to 360",
    "response --band 1e-300:1e300": "1e-300 to 1e+300 Hz is outside 0.001 to 1e+09 Hz",
    "response --band 1e-300:20": "is outside 0.001 to 1e+09 Hz",
    "response --band 20": "is not FROM:TO in Hz",
    "response --level=100000": "level: 100000 dBu is none",
    "response --level=1e999": "--level: '1e999' holds what is no finite number",
    "response --at=": "--at: is empty",
    "response --at=,": "--at: is empty",
    "response --per-octave=1000000000": "per_octave",
    "distortion --frequency=0.001": "frequency: 0.001 Hz cannot be played",
    "distortion --frequency=1000,1e-9": "frequency: 1e-09 Hz cannot be played",
    "distortion --null R3 --steps=1000000000": "steps: is 1000000000; give a number from 3 to 2000",
    "distortion --level 0:1:1e-9": "--level: '0:1:1e-9' means 1e+09 numbers",
    "needle --frequency=1e-9": "frequency: 1e-09 Hz cannot be played",
    "needle --level=1e999": "level: inf dBu is none",
    "needle --burst=1e9": "are more than 600 s",
    "noise --reduction 0:1:1e-12": "--reduction: '0:1:1e-12' means 1e+12 numbers",
    "explain --frequency=1e-9": "frequency: 1e-09 Hz cannot be played",
    "explain --tail=1e9": "is longer than",
    "curve --vary R1=1000:2999:1 --vary R2=1000:2999:1": "vary: these are 4000000 versions; 500 at the most",
}


def told(capsys, *arguments):
    """Status and standard error of a command."""
    with pytest.raises(SystemExit) as ending:
        main([*map(str, arguments)])
    printed = capsys.readouterr()
    assert printed.out == ""
    return ending.value.code, printed.err


@pytest.mark.parametrize("request_", ABSURD)
def test_absurd_measurements(capsys, request_):
    status, error = told(capsys, "measure", *request_.split(), "-u", "teaching", "-q", "draft")
    assert status == 2 and error.count("\n") == 1 and error.startswith("fetsim: ") and ABSURD[request_] in error


@pytest.mark.parametrize("rate", ["1e-30", "1e-320", "0", "-1", "nan", "1e9"])
def test_absurd_log_rates(capsys, tmp_path, monkeypatch, rate):
    monkeypatch.chdir(tmp_path)
    soundfile.write("in.wav", np.zeros(480), 48000)
    status, error = told(capsys, "render", "in.wav", "out.wav", "-u", "teaching", "--log", "l.csv", "--log-rate", rate)
    assert status == 2 and "log rate" in error and error.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["in.wav"]


def test_a_log_with_an_absurd_reduction(capsys, tmp_path):
    log = tmp_path / "l.csv"
    log.write_text("channel,time_s,gain_reduction_mean_db\n" + "".join(f"1,{k / 100},1e300\n" for k in range(100)))
    status, error = told(capsys, "measure", "needle", "--from-log", log)
    assert status == 2 and "no gain reduction is that large" in error and error.count("\n") == 1


def test_python_meets_the_same_bounds():
    unit = fetsim.load_unit("teaching")
    with pytest.raises(fetsim.InputError, match="these are 1000000 settings"):
        measure_timing(unit, vary={"R1": range(1000, 2000), "R2": range(1000, 2000)})
    with pytest.raises(fetsim.InputError, match="level: inf dBu is none"):
        measure_timing(unit, before_dbu=-20.0, level_dbu=float("inf"))


def test_long_work_is_told_beforehand(caplog):
    unit = fetsim.load_unit("dunlin")
    with caplog.at_level(logging.INFO, "fetsim"):
        check_work(unit, 1.0, 240e3, "")
        assert caplog.messages == []
        check_work(unit, 3600.0, 240e3, "")  # 8.6e8 steps of about a microsecond
    (text,) = caplog.messages
    assert text.startswith("this will take about ") and text.endswith("minutes")
    with pytest.raises(fetsim.InputError, match=r"this is 2.* days of computing on one core; ask for less"):
        check_work(unit, 1e6, 240e3, "ask for less")


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(10.0, "10 seconds"), (150.0, "2.5 minutes"), (7200.0, "2 hours"), (2e5, "2.3 days"), (1e9, "32 years"),
     (1e300, "over 10000 years")],
)  # fmt: skip
def test_durations(seconds, words):
    assert in_words(seconds) == words


@pytest.mark.parametrize("frequency_hz", [50.0, 1000.0])
def test_settling_is_guessed_within_a_factor_of_four(frequency_hz):
    """Counted in steps, not timed."""
    bench = Bench(fetsim.load_unit("dunlin"), "draft")
    period, run, steps = whole_period(frequency_hz, bench.rate_hz), bench.run(), []
    play, after = run.play, run.states_after
    run.play = lambda emf_v: (steps.append(len(emf_v)), play(emf_v))[1]
    run.states_after = lambda emf_v, times: (steps.append(len(emf_v) * times), after(emf_v, times))[1]
    settle(run, period.tone(0.0))
    assert 0.25 < sum(steps) / bench.rate_hz / settling_s(frequency_hz) < 4.0
