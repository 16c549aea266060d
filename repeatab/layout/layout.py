"""Layout: what one block of data can and cannot tell apart, under one model.

In: a Block and a Model.  Out: Layout: partitions of the terms, the fixed columns, balance, separable sources.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np

from repeatab.base.errors import LayoutError, NotSeparableError, listed
from repeatab.base.notes import Note, NoteKind
from repeatab.cells import FloatArray, IntArray
from repeatab.layout.balance import all_told_apart, is_balanced
from repeatab.layout.blocks import Block
from repeatab.layout.fixed import FixedDesign, fixed_design
from repeatab.layout.hierarchy import Hierarchy
from repeatab.layout.partitions import Partition, pair_number
from repeatab.layout.separability import Separability, separability
from repeatab.layout.terms import REPEATABILITY, Model, Term


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """What a design tells apart.

    model : the terms that were asked for.
    terms : partitions of the cells by the fixed terms and then by the random terms, in the model's order.
    fixed : the fixed columns.
    separable : which sources stand alone, are mixed together, or are taken up by the fixed effects.
    balanced : whether the analysis of variance is unique and orthogonal.
    factors, codes : the names of the factors and their (cells, factors) level indices.
    """

    model: Model
    count: IntArray
    terms: Hierarchy
    fixed: FixedDesign
    separable: Separability
    balanced: bool
    factors: tuple[str, ...]
    codes: IntArray

    @property
    def random(self) -> tuple[Partition, ...]:
        """The partitions by the random terms."""
        return self.terms.parts[len(self.model.fixed) :]

    @property
    def fixed_terms(self) -> tuple[Partition, ...]:
        """The partitions by the fixed terms."""
        return self.terms.parts[: len(self.model.fixed)]

    @property
    def rows(self) -> int:
        """Number of results."""
        return int(self.count.sum())

    @property
    def sources(self) -> tuple[str, ...]:
        """Names of the random sources, repeatability last."""
        return (*(term.name for term in self.model.random), REPEATABILITY)

    @property
    def estimated(self) -> tuple[int, ...]:
        """Indices of the random terms that get a component of their own (repeatability not counted)."""
        last = len(self.model.random)
        return tuple(i for i in self.separable.estimated if i != last)

    @property
    def mixed_together(self) -> tuple[tuple[str, ...], ...]:
        """Groups of sources that are one number in this design."""
        return tuple(tuple(self.sources[i] for i in group) for group in self.separable.mixed)

    @property
    def relations(self) -> tuple[str, ...]:
        """How the factors lie to one another, in words."""
        return _relations(self)

    def notes(self) -> tuple[Note, ...]:
        """What the design cannot tell, with the runs that would."""
        return (*self._mixed_notes(), *self._absorbed_notes())

    def _mixed_notes(self) -> tuple[Note, ...]:
        return tuple(
            Note(
                kind=NoteKind.MIXED_TOGETHER,
                sources=group,
                text=f"{' and '.join(group)} are one number in this design.",
                remedy=_remedy([self.model.random[i] for i in members if i < len(self.random)], group),
            )
            for members, group in zip(self.separable.mixed, self.mixed_together, strict=True)
        )

    def _absorbed_notes(self) -> tuple[Note, ...]:
        return tuple(self._absorbed_note(i) for i in self.separable.absorbed)

    def _absorbed_note(self, i: int) -> Note:
        source = self.sources[i]
        if self.random[i].size == 1:
            text = f"{source} has one level in these data, so its scatter cannot be seen."
            remedy = f"Run at least two levels of {source}."
        else:
            text = f"the scatter of {source} leaves no trace beside the fixed effects here."
            remedy = f"Run several levels of {source} within each level that is compared."
        return Note(kind=NoteKind.MIXED_TOGETHER, sources=(source,), text=text, remedy=remedy)

    def __str__(self) -> str:
        words = ["balanced" if self.balanced else "unbalanced", *self.relations]
        return f"{self.rows} results in {len(self.count)} cells; " + "; ".join(words)


def layout_of(block: Block, model: Model, *, name: str = "") -> Layout:
    """Work out the layout of a block; `name` is what a message calls its group.

    Raises
    ------
    LayoutError
        Nothing can be estimated: a single result, or every result has a fixed effect of its own.
    NotSeparableError
        A fixed effect or a covariate cannot be told from others.
    """
    where = f"{name}: " if name else ""
    terms = _hierarchy(block, model)
    design = fixed_design(block, model.fixed, where=where)
    _refuse_nothing_left(block, design, model, where)
    separable, balanced = _told_apart(block, model, design, terms, where)
    return Layout(
        model=model,
        count=block.count,
        terms=terms,
        fixed=design,
        separable=separable,
        balanced=balanced,
        factors=block.factors,
        codes=block.codes,
    )


def _hierarchy(block: Block, model: Model) -> Hierarchy:
    terms = (*model.fixed, *model.random)
    parts = []
    for term in terms:
        at = [block.factors.index(key) for key in sorted(term.keys)]
        parts.append(Partition.of([block.codes[:, c] for c in at], [len(block.levels[c]) for c in at]))
    return Hierarchy.of(parts, [term.keys for term in terms])


def _told_apart(
    block: Block, model: Model, design: FixedDesign, terms: Hierarchy, where: str
) -> tuple[Separability, bool]:
    """What is separable, and whether the layout is balanced."""
    whole = not model.covariates and is_balanced(terms, block.count)
    fixed, random = len(model.fixed), terms.parts[len(model.fixed) :]
    if whole and all_told_apart(terms, fixed, block.count):
        return Separability(alone=tuple(range(len(random) + 1)), mixed=(), absorbed=()), True
    means, cross = _fixed_cross(block, design, model)
    _refuse_dependent_covariates(cross, design, model, where)
    separable = separability(random, block.count, means, cross)
    kept = [i for i in separable.estimated if i < len(random)]
    # A term that the fixed effects take up spoils the F tests beside it; one with a single level does not.
    hidden = [i for i in separable.absorbed if i < len(random) and random[i].size > 1]
    if len(kept) == len(random):
        return separable, whole
    if model.covariates or hidden:
        return separable, False
    return separable, is_balanced(terms.pick([*range(fixed), *(fixed + i for i in kept)]), block.count)


def _refuse_nothing_left(block: Block, design: FixedDesign, model: Model, where: str) -> None:
    used = design.matrix.shape[1] + len(model.covariates)
    if block.rows <= used:
        raise LayoutError(
            f"{where}the data hold {block.rows} result(s) for {used} fixed number(s) (mean, levels, "
            "covariates); expected more results than that. Run repeats, or compare fewer levels."
        )


def _refuse_dependent_covariates(cross: FloatArray, design: FixedDesign, model: Model, where: str) -> None:
    """Refuse a covariate of which nothing is left beside the fixed effects and the covariates before it."""
    for i in range(design.matrix.shape[1], len(cross)):
        if cross[i, i] == 0:
            return
        coefficients = np.linalg.solve(cross[:i, :i], cross[:i, i])
        left = cross[i, i] - cross[:i, i] @ coefficients
        # A sum of squares 1e-10 of what it was is a spread 1e-5 of what it was: rounding of the readings. One
        # that does not vary at all is named as such by the estimators.
        if left <= 1e-10 * cross[i, i]:
            names = [*(c.name for c in design.columns[1:]), *model.covariates]
            raise NotSeparableError(
                f"{where}the covariate '{names[i - 1]}' cannot be told from {listed(names[: i - 1])}: "
                "it follows from them in every row. Leave it out, or vary it within each level."
            )


def _fixed_cross(block: Block, design: FixedDesign, model: Model) -> tuple[FloatArray, FloatArray]:
    """Cell means of the fixed columns (covariates of the first group included) and their cross-products."""
    covariates = block.mean[0, :, 1 : 1 + len(model.covariates)]
    centre = np.average(covariates, axis=0, weights=block.count)
    means = np.concatenate([design.matrix, covariates - centre], axis=1)
    cross = np.einsum("c,cx,cy->xy", block.count, means, means)
    p = design.matrix.shape[1]
    inner = block.cross[0].sum(axis=0)[1 : 1 + len(model.covariates), 1 : 1 + len(model.covariates)]
    cross[p:, p:] += inner
    return means, cross


def _relations(layout: Layout) -> tuple[str, ...]:
    """How each two factors lie to one another, in words; labels that repeat within another are told apart."""
    terms = zip((*layout.model.fixed, *layout.model.random), layout.terms.parts, strict=True)
    own = {term.factors[0]: part for term, part in terms if len(term.factors) == 1}
    parts = {
        name: own[name] if name in own else Partition.of([codes], [int(codes.max()) + 1])
        for name, codes in zip(layout.factors, layout.codes.T, strict=True)
    }
    words = [_relation(a, parts[a], b, parts[b]) for a, b in combinations(parts, 2)]
    return tuple(word for word in words if word)


def _relation(first: str, a: Partition, second: str, b: Partition) -> str:
    if a.size == 1 or b.size == 1:
        return ""
    if a.same_as(b):
        return f"{first} and {second} go together"
    if a.is_finer_than(b):
        return f"{first} nested in {second}"
    if b.is_finer_than(a):
        return f"{second} nested in {first}"
    pairs = pair_number(a, b)
    return (
        f"{first} crossed with {second}"
        if pairs == a.size * b.size
        else f"{first} partly crossed with {second}"
    )


def _remedy(terms: Sequence[Term], group: Sequence[str]) -> str:
    """The runs that would tell the sources of a mixture apart: one sentence for each step."""
    steps = []
    for coarse, fine in pairwise(sorted(terms, key=lambda term: len(term.keys))):
        if coarse.keys < fine.keys:
            rest = " and ".join(sorted(fine.keys - coarse.keys))
            steps.append(
                f"Run the same {coarse.name} at several levels of {rest} to tell {fine.name} from it."
            )
        else:
            steps.append(f"Run combinations in which {coarse.name} and {fine.name} do not go together.")
    if REPEATABILITY in group:
        steps.append(f"Run at least two levels of {terms[0].name} twice under the same conditions.")
    return " ".join(steps)


def require_balanced(layout: Layout) -> None:
    """Refuse a layout that has no unique analysis of variance.

    Raises
    ------
    LayoutError
    """
    if not layout.balanced:
        raise LayoutError(
            "the layout is not balanced, so the analysis of variance is not unique. "
            "Use the REML method, or let the method be chosen (auto)."
        )
