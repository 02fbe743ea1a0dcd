"""Options that take one value are refused where they are given twice; others gather what they are given."""

import pytest

from fetsim.cli.main import main


@pytest.mark.parametrize(
    "words",
    ["idle --unit teaching --unit dunlin", "measure curve -u teaching -u dunlin", "faults --builds 3 --parts R1 -n 5"],
)
def test_a_second_value_is_refused(words, capsys):
    with pytest.raises(SystemExit) as ending:
        main(words.split())
    told = capsys.readouterr()
    assert (ending.value.code, told.out) == (2, "")
    assert "is given 2 times and takes one value; keep one of them; see fetsim" in told.err
    assert told.err.count("\n") == 1


def test_changes_are_repeated_and_a_flag_says_nothing_new(capsys):
    with pytest.raises(SystemExit) as ending:
        main(["idle", "--unit", "teaching", "-c", "R1=2k", "-c", "R3=3k", "--as-json", "--as-json"])
    assert ending.value.code == 0
    assert capsys.readouterr().out.startswith("{")
