"""A run tells its output and its gain reduction apart from nodes of any name."""

import numpy as np
import pytest

from fetsim.measurements.bench.bench import Bench, tone
from fetsim.measurements.bench.hold import hold
from fetsim.measurements.distortion.procedure import sine_distortion
from fetsim.measurements.levels.procedure import measure_levels
from fetsim.measurements.response.procedure import measure_response
from fetsim.rig.points import INPUT, OUTPUT, find_point, output_point
from fetsim.schematic.load import load_unit
from tests.measurements.units import with_node_called

NAMES = ["output", "input", "gain_reduction_db"]


@pytest.fixture(params=NAMES)
def renamed(request, tmp_path):
    return with_node_called(tmp_path, request.param), request.param


def test_a_run_keeps_nodes_output_and_reduction_apart(renamed):
    unit, name = renamed
    plain, other = (
        Bench(one, "draft").run(["dr" if one is not unit else name]) for one in (load_unit("teaching"), unit)
    )
    signal = tone(0.0, 1000.0, 0.02, plain.bench.rate_hz)
    expected, played = plain.play(signal), other.play(signal)
    np.testing.assert_allclose(played.output_v, expected.output_v, atol=1e-9)
    np.testing.assert_allclose(played.reduction_db, expected.reduction_db, atol=1e-9)
    np.testing.assert_allclose(played.nodes[name], expected.nodes["dr"], atol=1e-9)
    assert expected.reduction_db.max() > 3.0  # the names would have been mixed up here


def test_figures_do_not_depend_on_the_name_of_a_node(renamed):
    unit, _ = renamed
    plain = load_unit("teaching")

    def figures(one):
        bench = Bench(one, "draft")
        plan = measure_levels(one, level_dbu=-10.0, quality="draft")
        closed = measure_response(one, levels_dbu=[-10.0], quality="draft").responses
        return [
            bench.rig.idle_gain_db(),
            hold(bench, 6.0).rig.idle_gain_db(),
            plan.gain_reduction_db,
            *(stage.nominal_dbu for stage in plan.stages),
            *(each.gain_1khz_db for each in closed),
            sine_distortion(bench.run(), -10.0, 1000.0).fundamental_dbu,
        ]

    assert figures(unit) == pytest.approx(figures(plain), abs=1e-6)


def test_the_ports_have_the_first_word(tmp_path):
    for name in (INPUT, OUTPUT):
        unit = with_node_called(tmp_path, name)
        plain = load_unit("teaching")
        assert find_point(unit, name).nodes == find_point(plain, name).nodes
    assert output_point(unit).nodes == ("po",)
