"""What a laboratory shares: the cells of its results, by what is known of them.

In: Results.  Out: Cells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from repeatab.base.errors import InputError, listed, nearest
from repeatab.base.progress import Progress, silent
from repeatab.cells import Cells, merged, reduce_to_cells
from repeatab.intake.results import Results


def cells_to_share(results: Results, *, by: Sequence[str] = (), progress: Progress = silent) -> Cells:
    """The cells a laboratory shares: by laboratory, level, section, pad set and visit as far as they are known.

    Place among the runs of the set and stated uncertainty go along as means, so that wear and scores can be computed.

    Parameters
    ----------
    by : further factors, such as the rig; each makes the cells smaller and so tells more of the single results.

    Raises
    ------
    InputError
        The results are stops, no laboratory is known, or a factor of `by` is not there.
    """
    if results.has("stop"):
        raise InputError(
            "cells: these are single stops, and laboratories are compared by run results. Name a study file instead of "
            "the result file; it says by which statistic stops become run results."
        )
    if not results.has("laboratory"):
        raise InputError(
            "cells: the results name no laboratory. Say which: --laboratory CODE, or name its column."
        )
    for name in by:
        if name not in results.factors:
            raise InputError(
                f"cells: the results have no factor '{name}'; there are {listed(results.factors)}."
                f"{nearest(name, results.factors)} Name its column."
            )
    table = results.lazy()
    names = table.collect_schema().names()
    shared = ("laboratory", "level", "section", "pad_set", "visit", *by)
    factors = [name for name in dict.fromkeys(shared) if name in names]
    values = [
        name for name in ("run_order", "stated_uncertainty") if name in names and _complete(table, name)
    ]
    if results.is_lazy:
        return reduce_to_cells(
            results, result="result", factors=factors, covariates=values, progress=progress
        )
    held = replace(results, frame=results.to_frame().astype(dict.fromkeys(values, float)))
    return reduce_to_cells(held, result="result", factors=factors, covariates=values)


def merged_to_share(parts: Sequence[Cells]) -> Cells:
    """The cells of several result files as one, with the values that all of them have throughout."""
    common = [name for name in parts[0].variables if all(name in part.variables for part in parts)]
    return merged([part.of_values(common) for part in parts])


def _complete(table: Any, name: str) -> bool:
    """Whether a column has a number in every row."""
    from repeatab.intake.engine import count_rows, is_missing

    return count_rows(table.filter(is_missing(name, table.collect_schema()[name]))) == 0
