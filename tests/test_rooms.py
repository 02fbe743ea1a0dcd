"""The rooms import only downward: the contracts in pyproject.toml, checked by import-linter."""

import subprocess
import sys
from pathlib import Path

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
