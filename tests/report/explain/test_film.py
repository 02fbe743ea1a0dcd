"""The film of a burst: pictures that move, and what is said where there is no encoder."""

import numpy as np
import pytest
from PIL import Image

from fetsim.errors import InputError
from fetsim.measurements.explain.procedure import measure_explain
from fetsim.report.explain.film import PICTURES_PER_SECOND, write_film
from fetsim.schematic.load import load_unit


@pytest.fixture(scope="module")
def unit():
    return load_unit("teaching")


@pytest.fixture(scope="module")
def burst(unit):
    return measure_explain(unit, moving=True, quality="draft", burst_s=0.01, tail_s=0.05)


def test_an_animated_picture_moves(unit, burst, tmp_path):
    with Image.open(write_film(tmp_path / "loop.gif", unit, burst, seconds=0.5)) as film:
        assert film.n_frames == 0.5 * PICTURES_PER_SECOND and film.size == (960, 540)
        frames = []
        for number in range(film.n_frames):
            film.seek(number)
            assert film.info["duration"] == 1000 / PICTURES_PER_SECOND
            frames.append(np.asarray(film.convert("L")).astype(int))
    # the upright line: the darkest column of the uppermost trace, further right from picture to picture (in the first
    # one it stands on the drawing's edge)
    top = [frame[60:90, 440:955].mean(axis=0).argmin() for frame in frames[1:]]
    assert np.all(np.diff(top) > 50)


def test_a_video_needs_an_encoder(unit, burst, tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(InputError, match=r"needs the encoder ffmpeg, which is not on the path; choose \.gif"):
        write_film(tmp_path / "loop.mp4", unit, burst)
    encoder = tmp_path / "ffmpeg"  # one that only writes down how much it was given
    encoder.write_text("#!/bin/sh\nfor last; do :; done\n/usr/bin/wc -c > \"$last\"\n")
    encoder.chmod(0o755)
    write_film(tmp_path / "loop.mp4", unit, burst, seconds=0.3)
    assert int((tmp_path / "loop.mp4").read_text()) == 3 * 960 * 540 * 4  # pictures of four bytes a pixel


def test_other_suffixes_are_refused(unit, burst, tmp_path):
    with pytest.raises(InputError, match=r"a film is a \.gif file"):
        write_film(tmp_path / "loop.avi", unit, burst)
    assert not list(tmp_path.iterdir())
