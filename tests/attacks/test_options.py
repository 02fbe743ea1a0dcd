"""Names and options as they come: outputs that are inputs, names that no file has, overlong and wrong words."""

import os
import stat
import subprocess
import sys

import platformdirs
import pytest

MEASURE = ("needle", "--burst", "0.01", "--tail", "0.01", "-q", "draft")
OUTPUTS = ("--json", "--csv")
PICTURES = ("--plot", "--meter")


@pytest.mark.parametrize("option", [*OUTPUTS, *PICTURES])
@pytest.mark.parametrize("how", ["itself", "symbolic", "hard"])
def test_measure_never_overwrites_the_unit_it_measures(place, attack, option, how):
    suffix = ".json" if option in OUTPUTS else ".svg"
    name = "mine.toml" if how == "itself" and option in OUTPUTS else f"other{suffix}"
    if name != "mine.toml":
        os.symlink("mine.toml", name) if how != "hard" else os.link("mine.toml", name)
    attack("measure", *MEASURE, "-u", "mine.toml", option, name, "-f").refused("is the input itself")


@pytest.mark.parametrize("option", ["--json", "--csv"])
def test_no_file_of_a_version_is_overwritten(place, attack, option):
    (place / "ideas.toml").write_text('[versions."another"]\nunit = "mine.toml"\n')
    for name in ("mine.toml", "ideas.toml"):
        arguments = ("-u", "teaching", "--versions", "ideas.toml", option, name, "-f")
        attack("measure", *MEASURE, *arguments).refused("is the input itself")


@pytest.mark.parametrize("command", [("measure", *MEASURE, "--json"), ("measure", "explain", "-q", "draft", "--csv")])
def test_nor_a_file_that_the_unit_starts_from(place, attack, command):
    (place / "other.toml").write_text('name = "Other"\nbased_on = "mine.toml"\n')
    attack(*command, "mine.toml", "-u", "other.toml", "-f").refused("is the input itself")


@pytest.mark.parametrize("other", ["--plot", "--json", "--csv"])
def test_two_outputs_of_one_name(place, attack, other):
    attack("measure", *MEASURE, "-u", "teaching", "--meter", "p.svg", other, "p.svg").refused("two outputs")
    attack("measure", *MEASURE, "-u", "teaching", "--meter", "p.svg", other, "./folder/../p.svg").refused("two outputs")


@pytest.mark.parametrize(
    "arguments",
    [
        ("in.wav", "in.wav", "-f"),
        ("in.wav", "./in.wav", "-f"),
        ("in.wav", "folder/../in.wav", "-f"),
        ("in.wav", "o.wav", "--log", "o.csv", "--plot", "o.csv"),
        ("in.wav", "old.wav"),
        ("in.wav", "folder"),
        ("in.wav", "folder/none/o.wav"),
        ("in.wav", "/dev/null"),
        ("in.wav", "o"),
        ("in.wav", "o.exe"),
        ("in.wav", "o.wav", "--log", "old.wav"),
        ("in.wav", "o.wav", "--log", "o.txt"),
        ("in.wav", "o.wav", "--plot", "o.gif"),
        ("in.wav", "x" * 300 + ".wav"),
        ("in.wav", "é" * 200 + ".wav"),
        ("in.wav", "o\0.wav"),
        ("x" * 250 + ".wav",),
        ("in.wav", "o.wav", "--log-rate", "1e-30", "--log", "l.csv"),
        ("in.wav", "o.wav", "--log-rate", "0"),
        ("in.wav", "o.wav", "--log-rate", "nan"),
        ("in.wav", "o.wav", "--log-rate", "1e-320", "--log", "l.csv"),
        ("in.wav", "o.wav", "--gain", "nan"),
        ("in.wav", "o.wav", "--gain", "1e300"),
        ("in.wav", "o.wav", "--bits", "12"),
        ("in.wav", "o.wav", "--probe", "nowhere", "--probe-to", "p.wav"),
        ("in.wav", "o.wav", "--probe", "ctl"),
        ("in.wav", "o.wav", "--start", "warm"),
        ("in.wav", "o.wav", "--quality", "best"),
        ("in.wav", "o.wav", "--quality", "q" * 10000),
        ("in.wav", "o.wav", "--unit", "u" * 5000),
        ("in.wav", "o.wav", "--unit", "u" * 5000 + ".toml"),
        ("in.wav", "o.wav", "--nonsense"),
        ("in.wav", "o.wav", "--change", "C2"),
        ("in.wav", "o.wav", "--change", "=1"),
        ("in.wav", "o.wav", "--change", "C2="),
        ("in.wav", "o.wav", "--change", "C99=1n"),
        ("in.wav", "o.wav", "--change", "C2=1e999"),
        ("in.wav", "o.wav", "--change", "C2=" + "9" * 5000),
        ("in.wav", "o.wav", "--load", "-1"),
        ("in.wav", "o.wav", "--full-scale", "nan"),
        ("in.wav", "o.wav", "--full-scale", "1e308"),
        ("in.wav", "a", "b", "c"),
        ("--gain",),
        (),
        ("in.wav", "o.wav", "--gain", "loud"),
    ],
    ids=lambda arguments: " ".join(arguments)[:40].encode("ascii", "replace").decode(),
)
def test_render_refuses(render, arguments):
    render(*arguments).refused()


ESCAPES = [
    "\x1b[31mred",
    "\x1b]0;title\x07",
    "\x9b31m",
    "a\rb",
    "a\nb",
    "\u202egnp",
    "\u2028line",
    "\u2066x",
    "\x00x",
    "\udcff",
]


@pytest.mark.parametrize("text", ESCAPES, ids=ascii)
def test_no_name_steers_the_terminal(place, render, attack, text):
    lines = 2 if "\n" in text else 1
    outcome = render(f"missing{text}.wav", "out.wav")
    assert (
        outcome.status == 2
        and len(outcome.err.splitlines()) == lines
        and all(map(str.isprintable, outcome.err.splitlines()))
    )
    outcome = attack("show", "-u", f"none{text}.toml")
    assert (
        outcome.status == 2
        and len(outcome.err.splitlines()) == lines
        and all(map(str.isprintable, outcome.err.splitlines()))
    )
    if "\x00" in text:
        return
    name = f"in{text}.wav"
    os.link("in.wav", name)
    picture, output = f"p{text}.svg", f"out{text}.wav"
    outcome = render(name, output, "--plot", picture)
    outcome.done(output, picture)
    content = (place / picture).read_bytes().decode("utf-8")
    assert not set(content) & set("\x1b\x9b\x07\r\u202e\u2066\u2028")


@pytest.mark.parametrize("name", [r"$\frac{1}{$.wav", "$x$.wav", "a & <b>.wav", "日本.wav", "%s{0}.wav"])
def test_a_picture_with_any_name_in_its_title(place, render, name):
    os.link("in.wav", name)
    render(name, "out.wav", "--plot", "p.svg").done("out.wav", "p.svg")


@pytest.mark.parametrize("label", ["=1+1", "+cmd", "@x", "-2+3", "=HYPERLINK(1)"])
def test_no_cell_is_a_formula(place, attack, label):
    attack("measure", *MEASURE, "-u", "teaching", "-v", f"{label}: C2=330n", "--csv", "t.csv").done("t.csv")
    cells = [cell.strip('"') for line in (place / "t.csv").read_text().splitlines() for cell in line.split(",")]
    assert f"'{label}" in cells and label not in cells


def test_wrong_changes_are_summed_up(render):
    many = [word for k in range(196) for word in ("--change", f"X{k}=1")]
    outcome = render("in.wav", "out.wav", *many)
    outcome.refused("and 176 more", lines=21)


def test_the_mode_of_an_overwritten_file_is_kept(place, render):
    os.chmod("old.wav", 0o600)
    render("in.wav", "old.wav", "-f").done("old.wav")
    assert stat.S_IMODE(os.stat("old.wav").st_mode) == 0o600


@pytest.mark.parametrize("what", ["pipe", "folder", "none", "/dev/zero", "/dev/null", "loop", "in.wav", "old.wav"])
@pytest.mark.parametrize("command", ["versions", "log", "unit", "capture"])
def test_what_is_read_is_a_file_of_its_kind(place, attack, what, command):
    os.mkfifo("pipe")
    os.symlink("loop", "loop")
    arguments = {
        "versions": ("compare", "in.wav", "-u", "teaching", "--versions", what),
        "log": ("measure", "needle", "--from-log", what),
        "unit": ("show", "-u", f"./{what}" if not what.startswith("/") else what),
        "capture": ("measure", "timing", "--capture", what, what),
    }[command]
    attack(*arguments).refused()


@pytest.mark.parametrize("to", [".", "..", "/", "~", "folder", "in.wav", "none/to", "x" * 300, "a\0b", "loop", ""])
def test_compare_goes_to_a_folder_of_its_own(place, attack, monkeypatch, to):
    os.symlink("loop", "loop")
    monkeypatch.setenv("XDG_CACHE_HOME", str(platformdirs.user_cache_path()))
    monkeypatch.setenv("HOME", str(place / "folder"))
    for more in ((), ("-f",)):
        target = os.path.expanduser(to)
        attack(
            "compare", "in.wav", "-u", "teaching", "-v", "a: C2=330n", "-q", "draft", "--to", target, *more
        ).refused()


@pytest.mark.slow
@pytest.mark.parametrize("arguments", [("show",), ("idle", "--as-json"), ("show", "--devices"), ("show", "--units")])
def test_a_full_disk_behind_standard_output(arguments, place):
    with open("/dev/full", "w") as full:
        ended = subprocess.run(
            [sys.executable, "-m", "fetsim", *arguments], stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert ended.returncode == 2 and ended.stderr.count("\n") == 1 and "standard output" in ended.stderr
