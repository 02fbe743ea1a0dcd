"""Age as one number: electrolytics dry out, wipers get dirty, semiconductors run warmer.

Estimates throughout, no source: at 1 an electrolytic has lost 80 % of its capacitance, a wiper lies behind 20 kohm
(with the square: dirt comes late), and what carries current stands 20 K over the unit.
"""

from fetsim.errors import InputError
from fetsim.schematic.fault_words import DIRTY, defect_text
from fetsim.schematic.faults import is_electrolytic
from fetsim.schematic.model import Defect, UnitData
from fetsim.schematic.schema import SHEETS

DRIED_SHARE, DIRT_OHM, WARMER_K = 0.8, 20e3, 20.0
LEAST_OHM = 1.0
HOTTEST_C = 125.0


def aged(unit: UnitData, share: float) -> dict[str, str | float]:
    """Changes that make a unit so old: 0 as built, 1 as old as it gets. A part with a fault keeps that one. Raises
    InputError for what is no share.

    >>> import fetsim
    >>> fetsim.aged(fetsim.load_unit("dunlin"), 0.5)["C4"]
    'dried:40%'
    """
    if not 0.0 <= share <= 1.0:
        raise InputError(f"aged: {share:g} is outside 0 (as built) to 1 (as old as it gets)")
    changes: dict[str, str | float] = {}
    for part in unit.parts.values():
        if part.kind in SHEETS and share > 0.0:
            around_c = part.values.get("temperature_c", unit.temperature_c)
            changes[f"{part.designator}.temperature_c"] = min(around_c + WARMER_K * share, HOTTEST_C)
        if part.defects or share == 0.0:
            continue
        if is_electrolytic(part):
            changes[part.designator] = defect_text(Defect("dried", "", DRIED_SHARE * share), part.kind)
        elif part.kind in ("potentiometer", "rheostat") and not part.steps:
            ohm = max(DIRT_OHM * share**2, LEAST_OHM)
            changes[part.designator] = defect_text(Defect(DIRTY.word, "", ohm), part.kind)
    return changes
