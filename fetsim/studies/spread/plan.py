"""Which builds are drawn: tables of quantiles, a row for each build.

Plain rows are independent of each other, and each has a seed of its own: row 17 is the same alone, in any order and on
any machine. Rows for variance shares follow the plan of Saltelli et al., Comput. Phys. Commun. 181 (2010) 259 (from
memory): two tables A and B, and for each group of columns a table A in which that group comes from B.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from numbers import Integral

import numpy as np
from scipy.stats import qmc

from fetsim.engine.assembly import Array
from fetsim.errors import InputError

MOST_BUILDS = 100_000
LARGEST_SEED = 2**63


def check_count(builds: int, name: str = "builds", least: int = 1) -> None:
    """Raises InputError for what is no number of builds, or more than anybody waits for."""
    if isinstance(builds, bool) or not isinstance(builds, Integral) or not least <= builds <= MOST_BUILDS:
        raise InputError(f"{name}: {str(builds)[:20]} cannot be drawn; give a number from {least} to {MOST_BUILDS}")


def check_seed(seed: int) -> None:
    """Raises InputError for what is no seed."""
    if isinstance(seed, bool) or not isinstance(seed, Integral) or not 0 <= seed < LARGEST_SEED:
        raise InputError(f"seed: {str(seed)[:24]} is none; give a whole number from 0 up")


def plain_rows(rows: Sequence[int], columns: int, seed: int) -> Array:
    """Quantiles of builds by number [shape=(len(rows), columns)]."""
    table = np.empty((len(rows), columns))
    for place, row in enumerate(rows):
        source = np.random.SeedSequence(seed, spawn_key=(row,))
        table[place] = np.random.Generator(np.random.PCG64(source)).random(columns)
    return table


@dataclass(frozen=True, kw_only=True)
class SharePlan:
    """Rows from which variance shares are worked out."""

    groups: tuple[str, ...]
    """Whose columns move together, each a share of its own."""
    base: int
    """Rows of A and of B; a power of two."""
    quantiles: Array
    """A, B, then A with each group from B [shape=((groups + 2) * base, columns)]."""


def share_plan(column_groups: Sequence[str], base: int, seed: int) -> SharePlan:
    """A plan for columns that belong to these groups; an empty name is of a column that matters to nobody.

    ``base``: a power of two, so that the low-discrepancy rows (Sobol', scrambled by the seed) fill evenly.
    """
    columns = len(column_groups)
    groups = tuple(dict.fromkeys(name for name in column_groups if name))
    sampler = qmc.Sobol(2 * columns, scramble=True, seed=np.random.default_rng(np.random.SeedSequence(seed)))
    both = sampler.random_base2(int(np.log2(base)))
    a, b = both[:, :columns], both[:, columns:]
    member = np.array(column_groups)
    mixed = [np.where(member == group, b, a) for group in groups]
    quantiles = np.minimum(np.concatenate([a, b, *mixed]), np.nextafter(1.0, 0.0))
    return SharePlan(groups=groups, base=base, quantiles=quantiles)
