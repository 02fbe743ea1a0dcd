"""What ``import fetsim`` offers is what its list says, and importing it loads no room by itself."""

import subprocess
import sys

import pytest

import fetsim


@pytest.mark.parametrize("name", fetsim.__all__)
def test_every_public_name_is_there_and_documented(name):
    assert getattr(fetsim, name).__doc__


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="nothing_such"):
        fetsim.nothing_such  # noqa: B018


def test_importing_is_light():
    code = "import sys, fetsim; print([m for m in ('scipy', 'numba', 'matplotlib', 'pydantic') if m in sys.modules])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"
