"""A core with hysteresis in a unit file: which keys belong together, and what they make of the part."""

from collections.abc import Mapping
from typing import Any

from fetsim.devices.core_figures import Core, CoreMisfit, core_of
from fetsim.schematic.part_tables import PARTS, CoreTable

OF_CORE = tuple(key for key in CoreTable.model_fields if key not in CoreTable.__base__.model_fields)  # type: ignore[union-attr]
NEEDED = ("initial_inductance", "nominal_voltage", "nominal_frequency", "saturation_flux")


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
