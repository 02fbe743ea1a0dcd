"""Every public function has an example in its docstring, and it runs."""

import doctest
import inspect

import pytest

import fetsim

FUNCTIONS = [name for name in fetsim.__all__ if inspect.isfunction(getattr(fetsim, name))]


def example_of(name):
    function = getattr(fetsim, name)
    module = inspect.getmodule(function)
    return doctest.DocTestParser().get_doctest(function.__doc__ or "", {}, name, module.__file__, None)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_example_runs(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    example = example_of(name)
    assert any(f"fetsim.{name}(" in step.source for step in example.examples), "no example calls it"
    told = []
    assert doctest.DocTestRunner(verbose=False).run(example, out=told.append).failed == 0, "".join(told)
