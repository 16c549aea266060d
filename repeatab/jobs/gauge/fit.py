"""The model of a gauge study and its fit, section by section in one pass.

In: GaugeData.  Out: GaugeFit: a BlockFit per section or the reason why there is none, and what each component
counts as.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from repeatab.base.errors import EstimationError, LayoutError
from repeatab.cells import Cells, reduce_to_cells
from repeatab.estimation.components import BlockFit, fit_cells
from repeatab.jobs.gauge.data import OPERATOR, PAD_LOT, PAD_SET, RIG, GaugeData
from repeatab.jobs.wording import enumerated
from repeatab.judgement.capability import Capability, Source, SourceRole, capabilities
from repeatab.layout.layout import Layout
from repeatab.layout.terms import REPEATABILITY, Model, TermName, model_of


@dataclass(frozen=True, kw_only=True)
class SectionFit:
    """One section's place in a fit; `trouble` says why there is none."""

    section: str
    part: BlockFit | None = None
    group: int = 0
    trouble: str = ""

    @property
    def fit(self) -> BlockFit:
        assert self.part is not None
        return self.part


def gauge_model(data: GaugeData, covariates: tuple[str, ...]) -> Model:
    """Random terms: every varied factor, the pairs of rig, operator and pad set, and all three together where
    some combination of them ran more than once."""
    crossed = [name for name in (RIG, OPERATOR, PAD_SET) if name in data.factors]
    random: list[TermName] = [name for name in (RIG, OPERATOR) if name in data.factors]
    if len(random) == 2:
        random.append((RIG, OPERATOR))
    random += [name for name in (PAD_LOT, PAD_SET) if name in data.factors]
    random += [pair for pair in combinations(crossed, 2) if PAD_SET in pair]
    if len(crossed) == 3 and _repeats(data, crossed):
        random.append(tuple(crossed))
    return model_of(random=random, covariates=covariates)


def _repeats(data: GaugeData, factors: list[str]) -> bool:
    return bool(data.table.groupby(["section", *factors]).size().max() > 1)


def fit_sections(data: GaugeData, model: Model, *, level: float) -> dict[str, SectionFit]:
    """Fit all sections at once; where one of them cannot be fitted, each by itself."""
    keys = ["section", *dict.fromkeys([*model.keys, *data.factors])]
    cells = reduce_to_cells(data.table, result="result", factors=keys, covariates=model.covariates)
    try:
        return dict(_fitted(cells, model, level))
    except (LayoutError, EstimationError):
        found: dict[str, SectionFit] = {}
        for section in data.sections:
            rows = data.table[data.table["section"] == section]
            try:
                own = reduce_to_cells(rows, result="result", factors=keys, covariates=model.covariates)
                found |= dict(_fitted(own, model, level))
            except (LayoutError, EstimationError) as error:
                found[section] = SectionFit(section=section, trouble=str(error))
        return found


def _fitted(cells: Cells, model: Model, level: float) -> Iterator[tuple[str, SectionFit]]:
    fit = fit_cells(cells, model, by=["section"], level=level)
    for part in fit.blocks:
        # Estimates are computed when first read: read them here, where an error can still be met.
        _ = part.variances
        for position, g in enumerate(part.block.groups):
            name = str(fit.groups[int(g)][0])
            yield name, SectionFit(section=name, part=part, group=position)


def sources_of(layout: Layout) -> tuple[Source, ...]:
    """What each component holds and counts as, repeatability last.

    Where the scatter of the sets is mixed with the measurement's, the component counts as measurement, so
    that R&R is an upper bound.
    """
    mixed = {group[-1]: group for group in layout.separable.mixed}
    last = len(layout.model.random)
    constant = {
        term.factors for term, part in zip(layout.model.random, layout.random, strict=True) if part.size == 1
    }
    return tuple(
        _source(layout, _varied(layout, mixed.get(i, (i,)), constant)) for i in (*layout.estimated, last)
    )


def _varied(layout: Layout, members: tuple[int, ...], constant: set[tuple[str, ...]]) -> tuple[int, ...]:
    """The members of a mixture without the combinations of a factor that has one level only."""
    terms = layout.model.random
    kept = tuple(
        i for i in members if i >= len(terms) or not any((name,) in constant for name in terms[i].factors)
    )
    return kept or members


def _source(layout: Layout, members: tuple[int, ...]) -> Source:
    names = tuple(shown(layout.sources[i]) for i in members)
    roles = [_role(layout, i) for i in members]
    measuring = [role for role in roles if role is not SourceRole.PART]
    if not measuring:
        return Source(names=names, role=SourceRole.PART)
    role = SourceRole.REPEATABILITY if SourceRole.REPEATABILITY in measuring else measuring[0]
    return Source(names=names, role=role, bounds=len(measuring) < len(roles))


def _role(layout: Layout, index: int) -> SourceRole:
    if layout.sources[index] == REPEATABILITY:
        return SourceRole.REPEATABILITY
    factors = set(layout.model.random[index].factors)
    if factors <= {PAD_SET, PAD_LOT}:
        return SourceRole.PART
    return SourceRole.REPRODUCIBILITY if factors <= {RIG, OPERATOR} else SourceRole.INTERACTION


def mixture_sentences(layout: Layout) -> tuple[tuple[tuple[str, ...], str, str], ...]:
    """Per mixture of sources: their names, what is one number, and the runs that would tell."""
    found = []
    for source in sources_of(layout):
        if len(source.names) > 1:
            remedy = (
                "Run at least two pad sets twice under the same conditions to tell repeatability apart."
                if REPEATABILITY in source.names
                else "Run combinations in which they do not go together."
            )
            text = f"{enumerated(source.names)} are one number in this design."
            found.append((source.names, text[:1].upper() + text[1:], remedy))
    return tuple(found)


def shown(name: str) -> str:
    """A source's name as the page shows it."""
    return name.replace("_", " ")


def section_capabilities(fits: dict[str, SectionFit], *, seed: int) -> dict[str, Capability]:
    """Capability per section that has a fit. A section's draws depend on its name and the seed, not on which
    other sections there are."""
    found: dict[str, Capability] = {}
    parts = {id(fit.part): fit.part for fit in fits.values() if fit.part is not None}
    for part in parts.values():
        names = {fit.group: name for name, fit in fits.items() if fit.part is part}
        ordered = [names[g] for g in range(len(part.block.groups))]
        generators = [np.random.default_rng([seed, *name.encode()]) for name in ordered]
        judged = capabilities(part, sources_of(part.layout), generators=generators)
        found |= dict(zip(ordered, judged, strict=True))
    return found
