"""What the iron is, as a table and definitions."""

from collections.abc import Mapping

from fetsim.measurements.distortion.tables import INPUT, TONE, VERSION
from fetsim.measurements.iron.procedure import IronMeasurement
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LEVELS, OWN, PRACTICE, Definition
from fetsim.measurements.results.formats import general, quantity
from fetsim.measurements.results.table import Cell, Column, Table

CORES = (
    VERSION,
    Column(key="part", heading="part"),
    TONE,
    INPUT,
    Column(key="volt", heading="across the winding", show=quantity("volt", 3)),
    Column(key="peak_flux_vs", heading="peak flux", show=quantity("weber", 3)),
    Column(key="mean_flux_vs", heading="mean flux", show=quantity("weber", 3)),
    Column(key="inductance_h", heading="inductance", unit="H", show=general(3)),
    Column(key="loss_ohm", heading="loss", show=quantity("ohm", 3), meaning="resistance in parallel"),
)


def account(measured: Mapping[str, IronMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    return Account(
        title=f"Iron of {first.provenance.unit}: steady state, quality {first.provenance.quality}.",
        lead=tuple(_lead(label, one) for label, one in measured.items()),
        tables=(_cores(measured),),
        definitions=(LEVELS, FLUX, INDUCTANCE, LOSS),
    )


def _lead(label: str, one: IronMeasurement) -> str:
    parts: dict[str, list[float]] = {}
    for core in one.cores:
        parts.setdefault(core.part, []).append(core.winding.inductance_h)
    told = (f"{part} has {min(henry):.3g} to {max(henry):.3g} H" for part, henry in parts.items())
    return f"{f'{label}: ' if label else ''}{'; '.join(told)}."


def _cores(measured: Mapping[str, IronMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            label, core.part, core.frequency_hz, core.level_dbu, core.winding.volt, core.winding.peak_flux_vs,
            core.winding.mean_flux_vs, core.winding.inductance_h,
            core.winding.reasons.get("loss_ohm", core.winding.loss_ohm),
        )
        for label, found in measured.items()
        for core in found.cores
    ]  # fmt: skip
    return Table(key="cores", title="Cores", columns=CORES, rows=rows, heads=3)


FLUX = Definition(
    term="peak and mean flux",
    meaning="of the winding's flux linkage: half of its swing, and what it swings about; a mean that is not small is "
    "direct current through the winding, which takes inductance, or what a core that remembers has kept",
    status=PRACTICE,
)
INDUCTANCE = Definition(
    term="inductance",
    meaning="of the whole winding (the primary) with the others open: volts over amperes in quadrature to them, over "
    "2 pi f, both fundamentals",
    status=PRACTICE,
)
LOSS = Definition(
    term="loss",
    meaning="resistance in parallel to that inductance that takes the watts of hysteresis and eddy currents at the "
    "volts of the fundamental",
    status=OWN,
)
