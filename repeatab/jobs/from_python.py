"""What a caller in Python hands to a job: a dataframe with its column names, and margins.

In: dataframes, numbers.  Out: Results and Margins, as the questions of the jobs take them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.base.quantity import Quantity
from repeatab.intake.results import Results


def read_columns(
    data: Any,
    columns: Mapping[str, str | None],
    *,
    quantity: Quantity,
    covariates: Sequence[str] = (),
    factors: Sequence[str] = (),
) -> Results:
    """Checked results of a dataframe.

    Parameters
    ----------
    columns : role -> column; None where there is no such column.
    covariates, factors : own columns that are numbers, or labels whatever they look like.

    Raises
    ------
    InputError
        See `read_results`.
    """
    from repeatab.intake.options import ReadOptions
    from repeatab.intake.reading import read_results

    named = {role: column for role, column in columns.items() if column is not None}
    named |= {name: name for name in (*covariates, *factors)}
    options = ReadOptions(covariates=tuple(covariates), factors=tuple(factors))
    return read_results(data, columns=named, options=options, quantity=quantity)


def margin_of(margin: Margin | float | Mapping[str, Margin | float], section: str) -> Margin:
    """The margin of a section: one for all, or one of several by section; a number is in the unit of the result.

    Raises
    ------
    StudyError
        None is given for this section.
    """
    chosen = margin.get(section) if isinstance(margin, Mapping) else margin
    if chosen is None:
        raise StudyError(
            f"margin: none is given for section '{section}'. Give one, or leave the section out."
        )
    return chosen if isinstance(chosen, Margin) else Margin(size=float(chosen), unit=MarginUnit.ABSOLUTE)
