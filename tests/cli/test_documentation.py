"""What README.md, DEVELOPERS.md and the help texts tell users to type is what the commands take."""

import ast
import re
import shlex
from dataclasses import fields
from pathlib import Path

import pytest

from fetsim.cli.main import COMMANDS, _application, main
from fetsim.cli.measure import measurements
from fetsim.cli.options import SoundUnitOptions, VersionOptions
from fetsim.rig import quality
from fetsim.rig.quality import QUALITIES

ROOT = Path(__file__).parents[2]
DOCUMENTS = ("README.md", "DEVELOPERS.md")
RUN = ("show", "idle")  # quick enough to be run, where they need no file of the reader's


def blocks(document, language):
    """Code blocks of a document."""
    return re.findall(rf"```{language}\n(.*?)```", (ROOT / document).read_text(), flags=re.DOTALL)


def typed(text):
    """Words of every fetsim command in a text of shell lines."""
    found = []
    for line in text.splitlines():
        if "fetsim " not in line or line[:1].isupper():  # prose
            continue
        for command in line.partition(" # ")[0].split("&&"):
            words = shlex.split(command, comments=True)
            if words and Path(words[0]).name == "fetsim":
                found.append(tuple(words[1:]))
    return found


def told_in_help():
    """Every example in the help of every command."""
    found = []
    for words in [*((name,) for name in COMMANDS), *(("measure", name) for name in measurements())]:
        command = _command(words)
        found += typed("\n".join(line.strip() for line in (command.help or "").splitlines()))
    return found


def _command(words):
    """The innermost command that the words call."""
    command = _group(words)
    for word in words:
        command = command.commands[word] if hasattr(command, "commands") else command
    return command


def _group(words):
    from typer.main import get_command

    return get_command(_application(list(words)))


def parsed(words):
    """Name -> value of all options of a command line, by the parser that runs it."""
    command, context, rest = _group(words), None, list(words)
    while True:
        context = command.make_context("fetsim", rest, parent=context)
        if not hasattr(command, "commands"):
            return context.params
        _, command, rest = command.resolve_command(context, [*context._protected_args, *context.args])


IN_DOCUMENTS = sorted({words for one in DOCUMENTS for text in blocks(one, "sh") for words in typed(text)})
IN_HELP = sorted(set(told_in_help()))


def test_there_are_examples():
    assert len(IN_DOCUMENTS) >= 15
    helped = {words[: 2 if words[0] == "measure" else 1] for words in IN_HELP}
    assert helped == {*((name,) for name in COMMANDS if name != "measure"), *(("measure", m) for m in measurements())}


@pytest.mark.parametrize("words", [*IN_DOCUMENTS, *IN_HELP], ids=" ".join)
def test_every_example_is_taken(words):
    given = parsed(words)
    record = VersionOptions if "version" in given else SoundUnitOptions
    named = {one.name for one in fields(record)}
    options = {name: value for name, value in given.items() if name in named and (name, value) != ("unit", None)}
    if not str(options).count(".toml"):  # files that the reader makes
        chosen = record(**options)
        assert chosen.units() if isinstance(chosen, VersionOptions) else chosen.chosen()


@pytest.mark.parametrize("words", [one for one in IN_DOCUMENTS if one[0] in RUN and ".toml" not in str(one)],
                         ids=" ".join)  # fmt: skip
def test_quick_examples_run(words, capsys):
    with pytest.raises(SystemExit) as ending:
        main(list(words))
    assert not ending.value.code and capsys.readouterr().out


@pytest.mark.parametrize("text", [text for one in DOCUMENTS for text in blocks(one, "python")])
def test_python_runs(text, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    exec(compile(text, "README.md", "exec"), {})
    assert capsys.readouterr().out


def test_the_table_of_qualities_is_that_of_the_code():
    rows = re.findall(r"^\| (draft|standard|fine) \| (.*) \|$", (ROOT / "README.md").read_text(), flags=re.MULTILINE)
    assert [name for name, _ in rows] == list(QUALITIES)
    for name, row in rows:
        cells = [int(re.search(r"-?\d+", cell)[0]) for cell in row.split("|")]
        factor = QUALITIES[name].factor(48e3)
        measured = re.search(rf"^ +{name} +(\d+)(.*)$", quality.__doc__, flags=re.MULTILINE)
        assert cells[0] == 48 * factor and int(measured[1]) == factor
        assert cells[1:] == [int(figure) for figure in re.findall(r"-\d+", measured[2])]


def test_no_word_has_two_meanings():
    """An option of one name says the same of the same thing in all commands: metavar and, but for details, help."""
    named, short = {}, {}
    for words in [*((name,) for name in COMMANDS if name != "measure"), *(("measure", m) for m in measurements())]:
        for option in _command(words).params:
            if option.param_type_name == "option" and option.name != "help":
                long = next(one for one in option.opts if one.startswith("--"))
                named.setdefault(long, set()).add(option.metavar)
                for one in option.opts:
                    if not one.startswith("--"):
                        short.setdefault(one, set()).add(long)
    assert {one: longs for one, longs in short.items() if len(longs) > 1} == {}
    several = {one: metavars for one, metavars in named.items() if len(metavars) > 1}
    # POINT or POINTS; a FOLDER for a comparison, a FILE for a unit; one pair of files, or pairs with their settings, or
    # the recording alone where it is known what was played
    assert set(several) <= {"--at", "--to", "--capture", "--loopback"}


def test_no_option_of_a_command_is_left_unused():
    looked_at = 0
    for path in (ROOT / "fetsim/cli").rglob("*.py"):
        for one in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(one, ast.FunctionDef) and one.name == path.stem:
                looked_at += 1
                used = {name.id for name in ast.walk(one) if isinstance(name, ast.Name)}
                assert {argument.arg for argument in one.args.args} <= used, path
    assert looked_at >= len(COMMANDS) + 10
