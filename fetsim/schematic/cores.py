"""A core with hysteresis in a unit file: which keys belong together, and what they make of the part."""

from collections.abc import Mapping
from math import pi, sqrt
from typing import Any

from fetsim.devices.core_figures import OF_LOOP, Core, CoreMisfit, core_of
from fetsim.schematic.part_tables import PARTS
from fetsim.schematic.passive_tables import CoreTable

OF_CORE = tuple(key for key in CoreTable.model_fields if key not in CoreTable.__base__.model_fields)  # type: ignore[union-attr]
NEEDED = ("initial_inductance", "nominal_voltage", "nominal_frequency", "saturation_flux")
EXAMPLE_HZ, EXAMPLE_A = 50.0, 0.1


def core(kind: str, values: Mapping[str, float]) -> Core | None:
    """The core of a part whose values ask for hysteresis. Raises CoreMisfit where there is none of these figures."""
    model = PARTS[kind]
    if not issubclass(model, CoreTable) or "initial_inductance" not in values:
        return None
    keys = (*OF_CORE, model.nominal, "saturation_flux")
    return core_of({key: values[key] for key in keys if key in values}, model.nominal)


def core_misfits(kind: str, keys: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What is wrong between the keys of a part, as (key, sentence); None stands for a key that is left out."""
    model = PARTS[kind]
    if not issubclass(model, CoreTable):
        return []
    own = OF_CORE if model.model_fields["saturation_flux"].is_required() else (*OF_CORE, "saturation_flux")
    given = {key: keys[key] for key in (*own, *NEEDED, model.nominal) if keys[key] is not None}
    asking = [key for key in own if key in given]
    missing = [key for key in NEEDED if key not in given]
    if asking and missing:
        return [(missing[0], f"is missing; with {asking[0]} the core has hysteresis, which needs {', '.join(NEEDED)}")]
    try:
        core(kind, given)
    except CoreMisfit as misfit:
        return [(misfit.key, misfit.sentence)]
    return []


def core_examples(kind: str, values: Mapping[str, float]) -> dict[str, float]:
    """Figures of a core that a part has not, but may be given, each with a sensible value.

    Of a part without hysteresis: those that it takes to have some, all at once. Of a core with hysteresis: those that
    may be told beside what is told already, with the value that it has without.
    """
    model = PARTS[kind]
    if not issubclass(model, CoreTable):
        return {}
    iron = core(kind, values)
    if iron is None:
        nominal_h = values[model.nominal]
        flux_vs = values.get("saturation_flux", max(nominal_h * EXAMPLE_A, 1e-6))
        volt = 0.2 * flux_vs * 2.0 * pi * EXAMPLE_HZ / sqrt(2.0)  # a fifth of the way to saturation
        found = {"initial_inductance": 0.7 * nominal_h, "nominal_voltage": volt, "nominal_frequency": EXAMPLE_HZ}
        return found if "saturation_flux" in values else {**found, "saturation_flux": flux_vs}
    volt = values["nominal_voltage"]
    loss_w = iron.loss_w(volt, values["nominal_frequency"])
    loop = {"largest_inductance": iron.largest_h, "core_loss": loss_w, "remanence": iron.remanence_vs}
    found = {} if any(key in values for key in OF_LOOP) else loop
    return found if "eddy_resistance" in values else {**found, "eddy_resistance": 10.0 * volt**2 / loss_w}
