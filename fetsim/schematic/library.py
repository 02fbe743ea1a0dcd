"""Where the shipped units lie."""

from importlib.resources import files
from pathlib import Path


def library_units() -> dict[str, Path]:
    """Name -> file of the units shipped with fetsim.

    >>> import fetsim
    >>> sorted(fetsim.library_units())
    ['dunlin', 'dunlin-mains', 'dunlin-pair', 'greenshank', 'greenshank-mains', 'jig', 'teaching']
    """
    folder = Path(str(files("fetsim.library").joinpath("units")))
    return {path.stem: path for path in sorted(folder.glob("*.toml"), key=lambda path: path.stem)}
