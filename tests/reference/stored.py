"""Reads the stored reference data in tests/data (made by make_reference.py there).

A record file holds rate_hz, the nodes' voltages (volts, n samples at k/rate_hz), the excitation and the
settings as JSON, and for each node the error believed, in dB relative to the node's own root-mean-square
about its mean.
"""

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.interpolate import make_interp_spline

from .excitation import Burst, Programme, Strikes

DATA = Path(__file__).parents[1] / "data"


@dataclass(frozen=True)
class Record:
    rate_hz: float
    t_s: np.ndarray
    v: dict[str, np.ndarray]  # node -> volts
    u: Burst | Programme | Strikes  # u(t_s) is the source EMF in volts
    settings: dict  # keywords of dunlin.Settings; empty for the small circuits
    error_db: dict[str, float]

    def at(self, t_s, node):
        """Volts of a node between its instants: a spline of degree 9, in error by about 2 (f h)^10, at 288 kHz 5e-12
        of a tone of 20 kHz (M. Unser, "Splines: a perfect fit for signal and image processing", IEEE Signal
        Processing Magazine 16, 1999; from memory). Corners cost more: against a five-stage method at 24 x 44.1 kHz
        the strikes keep -109 dB, -80 dB where they clip."""
        return make_interp_spline(self.t_s, self.v[node], k=9)(t_s)


def load(name):
    """The Record stored as tests/data/<name>.npz."""
    with np.load(DATA / f"{name}.npz") as data:
        v = {key.removeprefix("node_"): data[key] for key in data.files if key.startswith("node_")}
        spec = json.loads(str(data["excitation"]))
        kind = {"burst": Burst, "programme": Programme, "strikes": Strikes}[spec.pop("kind")]
        rate = float(data["rate_hz"])
        return Record(
            rate,
            np.arange(len(next(iter(v.values())))) / rate,
            v,
            kind(**spec),
            json.loads(str(data["settings"])),
            json.loads(str(data["error_db"])),
        )


def save(path, rate_hz, v, u, settings, error_db):
    """Write a Record; the voltages are rounded to 2^-36 V (15 pV), below their error; this compresses."""
    spec = {"kind": type(u).__name__.lower()} | u.__dict__
    fresh = path.with_name("fresh_" + path.name)
    np.savez_compressed(
        fresh,
        rate_hz=rate_hz,
        excitation=json.dumps(spec),
        settings=json.dumps(settings),
        error_db=json.dumps(error_db),
        **{f"node_{name}": np.round(volts * 2.0**36) / 2.0**36 for name, volts in v.items()},
    )
    fresh.replace(path)
