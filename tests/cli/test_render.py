"""``fetsim render`` as a user meets it: what it says, what it refuses, what it leaves behind."""

import os
import re
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile

from fetsim.cli import main

RATE_HZ = 48000
COMMAND = [sys.executable, "-m", "fetsim", "render"]


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder to work in, with a tenth of a second of a tone well above the threshold."""
    monkeypatch.chdir(tmp_path)
    t = np.arange(RATE_HZ // 10) / RATE_HZ
    soundfile.write("tone.wav", 0.15 * np.sin(2 * np.pi * 500 * t), RATE_HZ, subtype="PCM_16")
    return tmp_path


@pytest.fixture
def run(capsys):
    """Runs the command; (exit status, standard output, standard error)."""

    def call(*arguments):
        with pytest.raises(SystemExit) as ending:
            main(["render", *map(str, arguments)])
        said = capsys.readouterr()
        return ending.value.code, said.out, said.err

    return call


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_the_shortest_command(folder, run):
    (folder / "desk").mkdir()
    (folder / "tone.wav").rename("desk/tone.wav")
    status, out, err = run("desk/tone.wav", "-q", "draft")
    assert (status, err) == (0, "")
    assert names(folder) == ["desk", "tone-dunlin.wav"]
    assert soundfile.info("tone-dunlin.wav").subtype == "PCM_16"
    assert "tone.wav through Dunlin: 0.10 s, 48 kHz, mono; 0 dBFS = +18 dBu" in out
    flat = " ".join(out.split())
    found = re.search(r"Gain reduction \d+\.\d dB at the most \(at 0\.\d\d s\), (\S+) dB on average, above 3 dB", flat)
    assert found and float(found[1]) > 3.0 and re.search(r"above 3 dB for \d+ % of the time", flat)
    # 20 lg 0.15 + 18; the peak of a sine lies 3 dB above its rms
    assert re.search(r"Levels in \+1\.5 dBu rms, \+4\.5 dBu peak; out ", flat)
    assert "a sine's reads 3 dB above its rms" in flat
    assert "At rest gain +20.3 dB at 1 kHz; J1 takes 0.03 dB, its gate 0." in flat and "V beyond pinch-off" in flat
    assert "Loudness in none to be told, out none to be told" in flat  # shorter than one gating block
    assert re.search(r"Speed +\d+\.\d times real time", out)
    assert "no step subdivided" in " ".join(out.split())
    assert "tone-dunlin.wav (16 bit with dither)" in out


def test_everything_at_once(folder, run):
    status, out, err = run(
        "tone.wav", "o.flac", "-q", "draft", "-c", "C16=220n", "-c", "curve=S1+S3", "--full-scale", "20",
        "--load", "10k", "--start", "cold", "--bits", "24", "--gain", "-3", "--log", "l.csv", "--log-rate", "100",
        "-p", "ctl", "-p", "R2.current", "--probe-to", "p.wav", "--plot", "p.svg",
    )  # fmt: skip
    assert (status, err) == (0, "")
    assert names(folder) == ["l.csv", "o.flac", "p.svg", "p.wav", "tone.wav"]
    text = " ".join(out.split())
    for said in (
        "0 dBFS = +20 dBu", "C16 from 150 nF to 220 nF", "curve from S2 to S1+S3", "OUT from 600 ohm to 10 kohm",
        "after a gain of -3 dB", "o.flac (24 bit with dither)", "l.csv",
        "channel 1 is ctl, 1.0 = 10 V; channel 2 is R2.current, 1.0 = 10 mA",
    ):  # fmt: skip
        assert said in text, said
    assert len((folder / "l.csv").read_text().splitlines()) == 1 + 10
    assert (folder / "p.svg").read_text().startswith("<?xml")


def test_noise_is_told_with_its_seed(folder, run):
    """In the summary, in the log and in the file's own comment; two seeds differ, and silence is no longer silent."""
    soundfile.write("silence.wav", np.zeros(RATE_HZ // 10), RATE_HZ, subtype="FLOAT")
    said = []
    for seed, name in (("7", "a"), ("8", "b")):
        arguments = ("silence.wav", f"{name}.wav", "-q", "draft", "--noise", "--seed", seed, "--log", f"{name}.csv")
        status, out, err = run(*arguments)
        assert status == 0 and (not err or "compiling the solver" in err)
        said.append(" ".join(out.split()))
    assert "Noise of the parts: thermal, shot and 1/f; seed 7" in said[0] and "seed 8" in said[1]
    assert "levels reach up to 72 kHz" in said[0]
    header, *rows = (folder / "a.csv").read_text().splitlines()
    assert header.endswith(",noise_seed") and all(row.endswith(",7") for row in rows)
    with soundfile.SoundFile("a.wav") as file:
        assert "noise of seed 7" in file.comment
    one, other = (soundfile.read(f"{name}.wav")[0] for name in "ab")
    assert 1e-6 < np.std(one) < 1e-3 and not np.array_equal(one, other)
    run("silence.wav", "c.wav", "-q", "draft", "--log", "c.npz")
    assert np.abs(soundfile.read("c.wav")[0]).max() < 1e-9 and "noise_seed" not in np.load("c.npz")
    run("silence.wav", "d.wav", "-q", "draft", "--noise", "--log", "d.npz")
    assert np.load("d.npz")["noise_seed"] == 0


def test_quiet_says_nothing(folder, run):
    assert run("tone.wav", "-q", "draft", "--quiet") == (0, "", "")
    assert names(folder) == ["tone-dunlin.wav", "tone.wav"]


def test_overs_are_told_in_words(folder, run):
    _, out, _ = run("tone.wav", "a.wav", "-q", "draft", "--gain", "20")
    text = " ".join(out.split())
    assert re.search(r"\d+ samples above it after a gain of \+20 dB, the largest by \d+\.\d dB at 0\.\d+ s;", text)
    assert "written as 32 bit float to keep them" in text
    _, out, _ = run("tone.wav", "b.flac", "-q", "draft", "--gain", "20")
    lowered = re.search(r"all lowered by (\d+\.\d) dB to fit 16 bit", " ".join(out.split()))
    assert lowered
    assert np.abs(soundfile.read("b.flac")[0]).max() == pytest.approx(1.0, abs=0.02)  # 0.1 dB is 1.2 %


def test_what_the_stability_guard_changed_is_told(folder, run):
    # a heavy winding on a light damper rings where the default method would let it grow
    changes = ("-c", "T2.winding_capacitance=60n", "-c", "R24=100k", "-q", "draft")
    _, out, _ = run("tone.wav", "o.wav", "--gain", "-20", *changes)
    assert re.search(r"Warning +bdf4_fitted at \d+ kHz is unstable .*; using bdf3 instead", " ".join(out.split()))


def test_an_existing_output_needs_force(folder, run):
    (folder / "o.wav").write_text("precious")
    status, _, err = run("tone.wav", "o.wav", "-q", "draft")
    assert status == 2
    assert err == "fetsim: o.wav: exists already; choose another name or allow overwriting (--force)\n"
    assert (folder / "o.wav").read_text() == "precious"
    assert run("tone.wav", "o.wav", "-q", "draft", "--force")[0] == 0
    assert soundfile.info("o.wav").frames == RATE_HZ // 10


def with_rate(rate_hz):
    soundfile.write("odd.wav", np.zeros(100), rate_hz)


BAD = {
    "gone.wav": "gone.wav: no such file",
    ".": ".: is a folder; give a sound file",
    "empty.wav": "empty.wav: is empty (0 bytes)",
    "text.wav": "text.wav: is not a sound file that can be read",
    "silent.wav": "silent.wav: holds no audio (0 frames)",
    "cut.wav": "cut.wav: is cut short, it ends at 0.0",
    "cut.flac": "cut.flac: is damaged or cut short at about 0.0",
    "nan.wav": "nan.wav: a sample is nan (0.001042 s, channel 1); repair the file",
    "slow.wav": "slow.wav: a sample rate of 100 Hz is outside 4000 to 768000 Hz; resample first",
    "fast.wav": "fast.wav: a sample rate of 1e+07 Hz is outside 4000 to 768000 Hz; resample first",
    "tone.wav tone.wav": "tone.wav: is the input itself; choose another name",
    "tone.wav o.mp3": "o.mp3: cannot write .mp3 files; choose a suffix from .wav .flac",
    "tone.wav nowhere/o.wav": "nowhere/o.wav: there is no folder",
    "tone.wav folder.wav": "folder.wav: is a folder; choose another name",
    "tone.wav o.flac --bits float": "bits: .flac files have no 'float'; choose from 16, 24",
    "tone.wav o.wav --bits 8": "bits: .wav files have no '8'; choose from 16, 24, float",
    "tone.wav o.wav --gain nan": "gain: nan dB is not between -120 and 120 dB",
    "tone.wav o.wav --log l.txt": "l.txt: the log goes to a .csv or .npz file",
    "tone.wav o.wav --log o.wav": "o.wav: the log goes to a .csv or .npz file",
    "tone.wav o.wav --log l.csv --log-rate 0": "log rate: 0 Hz is not between 0.001 Hz and the sample rate, 48000 Hz",
    "tone.wav o.wav -p ctl": "probes: a file for the probes (.wav or .npz) must be given too",
    "tone.wav o.wav --probe-to p.wav": "probes: the names of probes to write must be given too",
    "tone.wav o.wav -p ctl --probe-to o.wav": "o.wav: two outputs have this name; give each its own",
    "tone.wav o.wav -p ctl --probe-to p.csv": "p.csv: probes go to a .wav or .npz file",
    "tone.wav o.wav -p clt --probe-to p.wav": "probe: nothing is called 'clt' in Dunlin; did you mean ctl",
    "tone.wav o.wav --plot p.bmp": "p.bmp: pictures are .png, .svg, .pdf files",
    "tone.wav o.wav --start warm": "--start: unknown state 'warm'; choose from settled, cold",
    "tone.wav o.wav -q best": "quality: there is no 'best'; choose from draft, standard, fine",
    "tone.wav o.wav -u nonesuch": "no unit named 'nonesuch'; choices: dunlin",
    "tone.wav o.wav -c C999=1n": "C999",
    "tone.wav o.wav -c attack": "--change: 'attack' is not NAME=VALUE, such as C16=220n",
    "tone.wav o.wav --full-scale nan": "full_scale_dbu: nan is not a finite number",
    "tone.wav o.wav --load -5": "load",
    "tone.wav o.wav --seed 3": "--seed: is that of the noise; add --noise",
    "tone.wav o.wav --noise --seed -3": "noise seed: must be a whole number from 0 to 9223372036854775807, not -3",
}


@pytest.fixture
def bad_folder(folder):
    sound = 0.1 * np.random.default_rng(2).standard_normal(RATE_HZ // 10)
    (folder / "empty.wav").touch()
    (folder / "text.wav").write_text("only words about sound")
    (folder / "folder.wav").mkdir()
    soundfile.write("silent.wav", np.zeros((0, 1)), RATE_HZ)
    for name in ("cut.wav", "cut.flac"):
        soundfile.write(name, sound, RATE_HZ, subtype="PCM_16")
        (folder / name).write_bytes((folder / name).read_bytes()[:4000])
    sound[50] = np.nan
    soundfile.write("nan.wav", sound, RATE_HZ, subtype="FLOAT")
    soundfile.write("slow.wav", np.zeros(100), 100)
    soundfile.write("fast.wav", np.zeros(100), 10_000_000)
    return folder


@pytest.mark.parametrize("arguments", BAD)
def test_bad_input_gets_one_line_and_leaves_nothing(arguments, bad_folder, run):
    before = names(bad_folder)
    status, out, err = run(*arguments.split())
    assert (status, out) == (2, "")
    assert err.startswith("fetsim: ") and err.count("\n") == 1
    assert BAD[arguments] in err
    assert "Traceback" not in err
    assert names(bad_folder) == before


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_render_leaves_nothing(number, folder):
    soundfile.write("long.wav", 0.1 * np.sin(np.arange(120 * RATE_HZ) / 20), RATE_HZ, subtype="PCM_16")
    extras = ["--log", "l.csv", "-p", "ctl", "--probe-to", "p.npz", "--plot", "p.png"]
    child = subprocess.Popen([*COMMAND, "long.wav", "o.wav", *extras], stdout=-1, stderr=-1, text=True)
    try:
        _wait_until(lambda: sum(name.endswith(".part") for name in os.listdir()) == 4)
        _wait_until(lambda: _cpu_s(child.pid) > 2.0)  # in the middle of it
        child.send_signal(number)
        out, err = child.communicate(timeout=20)
    finally:
        child.kill()
    assert (child.returncode, out) == (130, "")
    assert err == "fetsim: interrupted; nothing was written\n"
    assert names(folder) == ["long.wav", "tone.wav"]


@pytest.fixture
def small_disk(tmp_path):
    """Mounts a disk of so many kilobytes."""
    place = tmp_path / "disk"
    place.mkdir()

    def mounted(kilobytes):
        options = ["-t", "tmpfs", "-o", f"size={kilobytes}k", "tmpfs", str(place)]
        if subprocess.run(["mount", *options], capture_output=True).returncode:
            pytest.skip("mounting needs more rights")
        return place

    yield mounted
    subprocess.run(["umount", str(place)], capture_output=True)


# 4800 frames: 19.2 kB in the spool, 9.6 kB in the file of 16 bit, 19.2 kB more in a probe
@pytest.mark.parametrize(
    ("kilobytes", "extras", "problem"),
    [
        (12, (), "disk/o.wav: needs at least 0.0192 MB of disk, 0.0123 MB are free"),
        (24, (), "cannot be written to its end; is the disk full?"),
        (64, ("-p", "ctl", "--probe-to", "disk/p.wav"), "disk/p.wav: cannot be written to its end; is the disk full?"),
        (64, ("-p", "ctl", "--probe-to", "disk/p.npz"), "disk/p.npz: cannot be written (No space left on device)"),
        (36, ("--log", "disk/l.csv", "--log-rate", "10000"), "disk/l.csv: cannot be written (No space left"),
        (36, ("--plot", "disk/p.png"), "disk/p.png: cannot be written (No space left on device)"),
    ],
)
def test_a_full_disk_is_told_and_left_empty(kilobytes, extras, problem, folder, small_disk, run):
    place = small_disk(kilobytes)
    status, out, err = run("tone.wav", "disk/o.wav", "-q", "draft", *extras)
    assert (status, out) == (2, "")
    assert problem in err and err.count("\n") == 1
    assert names(place) == []


def test_a_read_only_place_is_refused(folder, small_disk, run):
    place = small_disk(100)
    subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
    status, _, err = run("tone.wav", "disk/o.wav", "-q", "draft")
    assert status == 2
    assert err == "fetsim: disk/o.wav: cannot be written (Read-only file system)\n"


@pytest.mark.slow
def test_the_bar_is_for_a_terminal_only(folder):
    plain = subprocess.run([*COMMAND, "tone.wav", "-q", "draft"], capture_output=True, text=True, check=True)
    assert plain.stderr == ""
    assert "\x1b" not in plain.stdout


def _cpu_s(process_id):
    with open(f"/proc/{process_id}/stat") as file:
        user, system = file.read().rpartition(")")[2].split()[11:13]
    return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")


def _wait_until(condition, timeout_s=30.0):
    end = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)
