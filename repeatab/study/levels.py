"""What the study files of every comparison share: names of the compared levels, margins that make sense.

In: values of a study file.  Out: names as a tuple, or a refusal that says what the key means.
"""

from __future__ import annotations

from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.base.quantity import Quantity
from repeatab.study.values import in_words


def names_from(value: object, *, such_as: str) -> tuple[str, ...]:
    """One name or a list of them; `such_as` is how the message writes a list.

    Raises
    ------
    StudyError
    """
    names = [value] if isinstance(value, str) else value
    if isinstance(names, list) and names and all(isinstance(name, str) and name.strip() for name in names):
        return tuple(names)
    raise StudyError(f"found {in_words(value)}, expected text in quotes, or a list such as {such_as}.")


def check_margin(key: str, margin: Margin | None, *, decides: bool, quantity: Quantity, meaning: str) -> None:
    """Refuse a deciding section without a margin, and a margin that no two results could exceed.

    Raises
    ------
    StudyError
    """
    most = quantity.plausible[1] - quantity.plausible[0]
    if margin is None:
        if decides:
            raise StudyError(
                f"{key}: is missing. {meaning} A section without a margin can only inform: decides = false."
            )
    elif margin.unit is MarginUnit.ABSOLUTE and margin.size >= most:
        raise StudyError(
            f"{key}: found {margin.size:g} in the unit of {quantity.name}, where no two plausible results differ by "
            f'more than {most:g}. For percent write margin = "{margin.size:g} %".'
        )
