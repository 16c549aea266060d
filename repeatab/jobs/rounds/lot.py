"""Whether the sets of a distributed lot are alike enough, and stayed so (ISO 13528, annex B).

In: results of the organiser's own checks and sigma_pt by level.  Out: LotCheck by level.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from repeatab.base.errors import StudyError, listed
from repeatab.intake.results import Results
from repeatab.interlab.homogeneity import Homogeneity, Stability, homogeneity, stability
from repeatab.jobs.rounds.data import LEVEL, PAD_SET, RESULT, Label
from repeatab.jobs.rounds.labels import with_level

if TYPE_CHECKING:
    import pandas as pd

PHASE, BEFORE, AFTER = "phase", "before", "after"


@dataclass(frozen=True, kw_only=True)
class LotCheck:
    """The checks of one level; None where the organiser made none."""

    level: Label
    homogeneity: Homogeneity | None
    stability: Stability | None

    @property
    def adequate(self) -> bool:
        """Whether no check that was made failed."""
        made = [check for check in (self.homogeneity, self.stability) if check is not None]
        return all(check.adequate for check in made)

    @property
    def sets_sd(self) -> float:
        """Between-set standard deviation to count in the scores: where the lot is not homogeneous enough."""
        found = self.homogeneity
        return 0.0 if found is None or found.adequate else found.s_s


def lot_checks(
    sigma_pt: Mapping[Label, float], homogeneity_runs: Results | None, stability_runs: Results | None
) -> tuple[LotCheck, ...]:
    """The checks of every level that the organiser's runs cover.

    Parameters
    ----------
    sigma_pt : by level of the round robin.
    homogeneity_runs : repeats on several sets of each level, with pad set (and level).
    stability_runs : the same with a phase, "before" or "after" the round.

    Raises
    ------
    StudyError
        A column is missing, a level is not one of the round robin, or a set has another number of repeats.
    """
    between = _by_level(homogeneity_runs, sigma_pt, "homogeneity", (PAD_SET,))
    change = _by_level(stability_runs, sigma_pt, "stability", (PAD_SET, PHASE))
    checks = []
    for level, sigma in sigma_pt.items():
        if level in between or level in change:
            checks.append(
                LotCheck(
                    level=level,
                    homogeneity=homogeneity(_repeats(between[level], level), sigma)
                    if level in between
                    else None,
                    stability=_stability(change[level], level, sigma) if level in change else None,
                )
            )
    return tuple(checks)


def _by_level(
    results: Results | None, sigma_pt: Mapping[Label, float], check: str, columns: tuple[str, ...]
) -> dict[Label, pd.DataFrame]:
    if results is None:
        return {}
    rows = with_level(results.to_frame())
    lacking = [name for name in columns if name not in rows.columns]
    if lacking:
        raise StudyError(
            f"{check}: the results do not say {listed(lacking)}. Name the column under {check}.columns."
        )
    known = {str(level): level for level in sigma_pt}
    if rows[LEVEL].nunique() == 1 and len(known) == 1 and LEVEL not in results.factors:
        return {next(iter(sigma_pt)): rows}
    found = {}
    for level, own in rows.groupby(LEVEL, sort=True):
        if str(level) not in known:
            raise StudyError(
                f"{check}: level '{level}' is none of the round robin, which has {listed(known)}. Correct its name."
            )
        found[known[str(level)]] = own
    return found


def _repeats(rows: pd.DataFrame, level: Label) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """(sets, repeats) of one level."""
    sets = [own[RESULT].to_numpy(dtype=np.float64) for _, own in rows.groupby(PAD_SET, sort=True)]
    if len({len(values) for values in sets}) > 1:
        numbers = ", ".join(f"'{name}': {len(own)}" for name, own in rows.groupby(PAD_SET, sort=True))
        raise StudyError(
            f"homogeneity: level '{level}' has {numbers} results, expected as many of each set. Leave surplus runs "
            "out with a reason."
        )
    return np.array(sets)


def _stability(rows: pd.DataFrame, level: Label, sigma: float) -> Stability:
    means = rows.groupby([PHASE, PAD_SET], sort=True)[RESULT].mean()
    phases = set(means.index.get_level_values(0))
    if phases != {BEFORE, AFTER}:
        raise StudyError(
            f"stability: level '{level}' has the phases {listed(sorted(map(str, phases)))}, expected '{BEFORE}' and "
            f"'{AFTER}'."
        )
    return stability(means[BEFORE].to_numpy(), means[AFTER].to_numpy(), sigma)
