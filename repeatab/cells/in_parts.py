"""In parts: a table that lies on several machines, reduced part by part to Cells that are merged.

In: a Dask dataframe.  Out: Cells; only the cells of each part travel.
Each part goes the way of a pandas table. The merge is the pairwise one of Cells, in a tree over the parts in their
order, so the result does not depend on which machine was ready first.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from repeatab.base.errors import InputError
from repeatab.cells.table import Cells


def reduce_parts(frame: Any, *, result: str, factors: Sequence[str], covariates: Sequence[str] = ()) -> Cells:
    """Reduce a Dask dataframe on the scheduler that is in use.

    Raises
    ------
    InputError
        A column is missing, a key is empty, or a value is missing, infinite or not a number.
    """
    import dask

    from repeatab.cells.reduce import no_rows

    present = [str(name) for name in frame.columns]
    for name in (*factors, result, *covariates):
        if name not in present:
            raise InputError.no_such_column(file="table", column=name, role=name, present=present)
    columns = list(dict.fromkeys([*factors, result, *covariates]))
    reduce = dask.delayed(_reduce_part, pure=False)
    merge = dask.delayed(_merge, pure=False)
    level = [reduce(part, result, list(factors), list(covariates)) for part in frame[columns].to_delayed()]
    while len(level) > 1:
        level = [merge(level[at : at + 2]) for at in range(0, len(level), 2)]
    (cells,) = dask.compute(*level)
    if cells is None:
        raise no_rows()
    assert isinstance(cells, Cells)
    return cells


def _reduce_part(part: Any, result: str, factors: list[str], covariates: list[str]) -> Cells | None:
    """Cells of one part; None of an empty one."""
    from repeatab.cells.reduce import reduce_to_cells

    if not len(part):
        return None
    return reduce_to_cells(part, result=result, factors=factors, covariates=covariates)


def _merge(parts: Sequence[Cells | None]) -> Cells | None:
    there = [part for part in parts if part is not None]
    return merged(there) if there else None


def merged(parts: Sequence[Cells]) -> Cells:
    """The cells of several tables as those of one, pairwise in a tree over the parts."""
    level = list(parts)
    while len(level) > 1:
        pairs = [level[at : at + 2] for at in range(0, len(level), 2)]
        level = [pair[0].merge(pair[1]) if len(pair) == 2 else pair[0] for pair in pairs]
    return level[0]
