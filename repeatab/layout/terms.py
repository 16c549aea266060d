"""Terms: which factors act, alone or together, as random sources or as fixed effects.

In: names and tuples of names, as a study or a caller writes them.  Out: a Model of Terms.
There is no formula text: a term is a name or a tuple of names.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from repeatab.base.errors import StudyError, listed

REPEATABILITY = "repeatability"
INTERCEPT = "intercept"

TermName = str | tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Term:
    """An effect of one factor, or of the combination of several.

    factors : the factors as they were named.
    keys : the same with the factors they are nested in; two rows share a level if they agree on all keys.
    """

    factors: tuple[str, ...]
    keys: frozenset[str]

    @property
    def name(self) -> str:
        """The name on screen: factor names joined by a cross."""
        return " × ".join(self.factors)

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """Random and fixed terms and the covariates; `keys` are all the factors that must be known of a row."""

    random: tuple[Term, ...]
    fixed: tuple[Term, ...]
    covariates: tuple[str, ...]

    @property
    def keys(self) -> tuple[str, ...]:
        seen: dict[str, None] = {}
        for term in (*self.fixed, *self.random):
            seen.update(dict.fromkeys(term.factors))
            seen.update(dict.fromkeys(sorted(term.keys)))
        return tuple(seen)


def model_of(
    *,
    random: Sequence[TermName],
    fixed: Sequence[TermName] = (),
    covariates: Sequence[str] = (),
    nested_in: Mapping[str, TermName] | None = None,
) -> Model:
    """Make a Model from names and tuples.

    Parameters
    ----------
    random, fixed : terms; a tuple is the combination of its factors.
    covariates : numeric columns with a straight-line effect.
    nested_in : factor -> the factor(s) within which its labels repeat.

    Raises
    ------
    StudyError
        A term is named twice, is random and fixed at once, a nesting runs in a circle, or a fixed term is
        nested, or a fixed combination stands without its factors.
    """
    parents = {child: _as_tuple(parent) for child, parent in (nested_in or {}).items()}
    random_terms = tuple(_term(_as_tuple(t), parents) for t in random)
    fixed_terms = tuple(_term(_as_tuple(t), parents) for t in fixed)
    _refuse_twice([t.name for t in random_terms], "random")
    _refuse_twice([t.name for t in fixed_terms], "fixed")
    both = {t.keys for t in random_terms} & {t.keys for t in fixed_terms}
    if both:
        names = [" × ".join(sorted(keys)) for keys in both]
        raise StudyError(
            f"{listed(names)} is named as random and as fixed; expected one of the two. Decide which."
        )
    _refuse_fixed_without_margins(fixed_terms)
    return Model(random=random_terms, fixed=fixed_terms, covariates=tuple(covariates))


def _refuse_fixed_without_margins(fixed: Sequence[Term]) -> None:
    """Fixed columns are set against a first level of each factor, so every factor must be there by itself."""
    alone = {term.factors[0] for term in fixed if len(term.factors) == 1}
    for term in fixed:
        parents = sorted(term.keys - set(term.factors))
        if parents:
            raise StudyError(
                f"the fixed term '{term.name}' is nested in {listed(parents)}: "
                "its labels stand for other things there, so their means cannot be compared. Give every level a "
                "label of its own and leave the nesting out."
            )
        lacking = [factor for factor in term.factors if factor not in alone]
        if lacking:
            raise StudyError(
                f"the fixed combination '{term.name}' is named without {listed(lacking)}. Name each of its "
                "factors as fixed too."
            )


def _as_tuple(term: TermName) -> tuple[str, ...]:
    return (term,) if isinstance(term, str) else tuple(term)


def _term(factors: tuple[str, ...], parents: Mapping[str, tuple[str, ...]]) -> Term:
    if not factors:
        raise StudyError("a term names no factor; expected a name or a tuple of names.")
    keys: set[str] = set()
    for factor in factors:
        keys |= _with_parents(factor, parents, path=())
    return Term(factors=factors, keys=frozenset(keys))


def _with_parents(factor: str, parents: Mapping[str, tuple[str, ...]], *, path: tuple[str, ...]) -> set[str]:
    if factor in path:
        raise StudyError(
            f"nested_in: '{factor}' is nested in itself by way of {listed(path)}. Remove one of these."
        )
    found = {factor}
    for parent in parents.get(factor, ()):
        found |= _with_parents(parent, parents, path=(*path, factor))
    return found


def _refuse_twice(names: Iterable[str], role: str) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise StudyError(f"the {role} term '{name}' is named twice. Remove one.")
        seen.add(name)
