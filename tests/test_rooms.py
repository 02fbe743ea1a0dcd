"""The rooms import only downward: the contracts in pyproject.toml, checked by import-linter."""

import subprocess
import sys
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).resolve().parents[1]


def test_import_contracts_are_kept():
    result = subprocess.run(
        [Path(sys.executable).parent / "lint-imports", "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.returncode == 0, result.stdout + result.stderr


def imports_of(package):
    """Module -> the modules that it imports anywhere, inside functions too."""
    graph = grimp.build_graph(package, cache_dir=None)
    return {module: graph.find_modules_directly_imported_by(module) for module in graph.modules}


def test_no_modules_import_in_a_circle():
    """Inside the rooms too, which the contracts do not see."""
    imports = imports_of("fetsim")
    assert sum(len(imported) for imported in imports.values()) > 500  # the graph is the real one
    TopologicalSorter(imports).prepare()  # raises CycleError, which names the circle


def test_a_circle_through_a_function_would_be_found(tmp_path, monkeypatch):
    package = tmp_path / "roundabout"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "first.py").write_text("from roundabout import second\n")
    (package / "second.py").write_text("def late():\n    from roundabout.first import second\n")
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(CycleError, match="roundabout"):
        TopologicalSorter(imports_of("roundabout")).prepare()
