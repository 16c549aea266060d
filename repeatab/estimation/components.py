"""Components: how much of the scatter comes from each source. The entrance to the estimators.

In: a dataframe (or Results) and the terms of a model.  Out: Fit: components with intervals, analysis of
variance, fixed effects and contrasts, for one group of data or for many in one pass.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, overload

import numpy as np

from repeatab.base.errors import LayoutError, StudyError, listed
from repeatab.base.notes import Note
from repeatab.cells import Cells, FloatArray, IntArray, reduce_to_cells
from repeatab.estimation.block_fit import BlockFit as BlockFit
from repeatab.estimation.block_fit import Method as Method
from repeatab.estimation.block_fit import method_of
from repeatab.estimation.contrasts import Contrast, fixed_rows, level_contrast
from repeatab.estimation.fit_notes import fit_notes
from repeatab.estimation.fit_tables import (
    COLUMNS,
    anova_frames,
    component_table,
    index_of_labels,
    named_index,
)
from repeatab.estimation.one_thread import one_thread
from repeatab.layout.blocks import Block, Division, GroupLabels, divided
from repeatab.layout.layout import Layout, layout_of
from repeatab.layout.terms import Model, TermName, model_of

if TYPE_CHECKING:
    import pandas as pd

# Numbers that the equations of groups fitted side by side may hold, about: 32 MiB.
_NUMBERS = 1 << 22


@dataclass(frozen=True, kw_only=True)
class Fit:
    """A model fitted to one group of data, or to many.

    by : names of the columns that divide the data into groups; groups : their labels in sort order.
    blocks : the fits, one for each layout that occurs.
    """

    result: str
    model: Model
    by: tuple[str, ...]
    groups: GroupLabels
    blocks: tuple[BlockFit, ...]
    level: float

    @property
    def layout(self) -> Layout:
        """The layout, if all groups share one; otherwise that of the first group (see `blocks`)."""
        return min(self.blocks, key=lambda part: part.block.groups.min()).layout

    @cached_property
    def components(self) -> pd.DataFrame:
        """Per source (and group): variance, raw_variance, sd, sd_lower, sd_upper, share.

        `raw_variance` may be negative where it is an ANOVA estimate; `variance` is never below zero. Where
        sources are mixed together the last of them carries the joint component and the others are empty.
        """
        import pandas as pd

        sources = self.blocks[0].layout.sources
        tables = [self._table(part) for part in self.blocks]
        last = len(sources) - 1
        if len(tables) == 1 and len(self.blocks[0].layout.estimated) == last:
            table = tables[0]
        else:
            table = np.full((len(self.groups), len(sources), len(COLUMNS)), np.nan)
            for part, own in zip(self.blocks, tables, strict=True):
                table[np.ix_(part.block.groups, np.array([*part.layout.estimated, last]))] = own
        return pd.DataFrame(
            table.reshape(-1, len(COLUMNS)),
            index=self._index(sources, "source"),
            columns=named_index(COLUMNS),
        )

    @staticmethod
    def _table(part: BlockFit) -> FloatArray:
        with one_thread(0, rows=part.block.mean.shape[0] * part.block.mean.shape[1]):
            return component_table(part)

    @cached_property
    def anova(self) -> pd.DataFrame | None:
        """Per row of the analysis: source, df, ss, ms, ems, f, p; None where a layout is not balanced."""
        import pandas as pd

        frames = []
        for part in self.blocks:
            analysis = part.mean_squares
            if analysis is None:
                return None
            frames.extend(anova_frames(part, analysis, [self.groups[g] for g in part.block.groups], self.by))
        order = sorted(range(len(frames)), key=lambda i: frames[i][0])
        joined = pd.concat([frames[i][1] for i in order], ignore_index=True)
        return joined.set_index(list(self.by)) if self.by else joined

    @cached_property
    def fixed(self) -> pd.DataFrame:
        """Per fixed effect (and group): estimate, se, df, lower, upper, p, with Kenward-Roger inference."""
        import pandas as pd
        from scipy import special

        frames: dict[int, pd.DataFrame] = {}
        for part in self.blocks:
            rows = fixed_rows(part.layout.fixed, self.model.covariates)
            estimate, se, df = part.combine(rows, at_zero=True)
            half = special.stdtrit(df, (1 + self.level) / 2) * se
            p = 2 * special.stdtr(df, -np.abs(estimate / se))
            values = np.stack([estimate, se, df, estimate - half, estimate + half, p], axis=2)
            for position, g in enumerate(part.block.groups):
                index = self._index_of(int(g), [row.label for row in rows], "effect")
                frames[int(g)] = pd.DataFrame(
                    values[position], index=index, columns=["estimate", "se", "df", "lower", "upper", "p"]
                )
        return pd.concat([frames[g] for g in sorted(frames)])

    @cached_property
    def log_likelihood(self) -> Any:
        """REML log-likelihood, all constants: a float, or a Series over the groups."""
        import pandas as pd

        values = np.empty(len(self.groups))
        for part in self.blocks:
            values[part.block.groups] = part.log_likelihood
        return pd.Series(values, index=self._group_index()) if self.by else float(values[0])

    def contrast(self, factor: str, level: object, *, reference: object, ratio: float = 1.0) -> Any:
        """mean(level) - ratio * mean(reference) of a fixed factor: a Contrast, or a Series over groups.

        Raises
        ------
        StudyError
            The factor is not fixed, or a level is not in the data.
        """
        import pandas as pd

        found: dict[int, Contrast] = {}
        for part in self.blocks:
            design, name = part.layout.fixed, part.names[0] if part.names else ""
            row = level_contrast(design, factor, level, reference=reference, ratio=ratio, name=name)
            estimate, se, df = part.combine((row,))
            for position, g in enumerate(part.block.groups):
                found[int(g)] = Contrast(
                    label=row.label,
                    estimate=float(estimate[position, 0]),
                    se=float(se[position, 0]),
                    df=float(df[position, 0]),
                    level=self.level,
                )
        if not self.by:
            return found[0]
        return pd.Series([found[g] for g in sorted(found)], index=self._group_index(), dtype=object)

    @property
    def notes(self) -> tuple[Note, ...]:
        """What the fit noticed: sources mixed together, components at zero, how intervals were formed."""
        seen: dict[str, Note] = {}
        for part in self.blocks:
            for note in (*part.layout.notes(), *fit_notes(part)):
                seen.setdefault(str(note), note)
        return tuple(seen.values())

    def _group_index(self) -> pd.Index[Any]:
        import pandas as pd

        columns = [index_of_labels(labels) for labels in self.groups.columns]
        if len(columns) == 1:
            return columns[0].rename(self.by[0])
        return pd.MultiIndex.from_arrays(columns, names=list(self.by))

    def _index(self, names: tuple[str, ...], title: str) -> pd.Index[Any]:
        import pandas as pd

        if not self.by:
            return named_index(names, title)
        groups: Any = self._group_index()
        if len(self.by) == 1:
            # One factor: its labels are the groups themselves.
            place: Any = np.arange(len(groups))
            groups = pd.MultiIndex(levels=[groups], codes=[place], verify_integrity=False)
        found, place = np.unique(np.array(names, dtype=object), return_inverse=True)
        levels: list[Any] = [*groups.levels, found]
        codes: list[Any] = [np.repeat(own, len(names)) for own in groups.codes]
        codes.append(np.tile(place, len(self.groups)))
        return pd.MultiIndex(levels=levels, codes=codes, names=[*self.by, title], verify_integrity=False)

    def _index_of(self, group: int, names: Sequence[str], title: str) -> pd.Index[Any]:
        import pandas as pd

        if not self.by:
            return pd.Index(list(names), name=title)
        return pd.MultiIndex.from_tuples(
            [(*self.groups[group], name) for name in names], names=[*self.by, title]
        )

    def to_frame(self) -> pd.DataFrame:
        """The components."""
        return self.components

    def __str__(self) -> str:
        lines = [
            f"{self.result}: {self.layout}",
            self.components.to_string(float_format=lambda v: f"{v:.4g}"),
        ]
        lines += [f"- {note}" for note in self.notes]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        from html import escape

        notes = "".join(f"<li>{escape(str(note))}</li>" for note in self.notes)
        table = self.components.to_html(float_format=lambda v: f"{v:.4g}", escape=True)
        return f"<p>{escape(self.result)}: {escape(str(self.layout))}</p>{table}<ul>{notes}</ul>"


def fit_components(
    data: Any,
    *,
    result: str | None = None,
    random: Sequence[TermName],
    nested_in: Mapping[str, TermName] | None = None,
    fixed: Sequence[TermName] = (),
    covariates: Sequence[str] = (),
    by: Sequence[str] = (),
    method: str | Method = Method.AUTO,
    level: float = 0.95,
) -> Fit:
    """Split the scatter of a result into its sources.

    Parameters
    ----------
    data : a dataframe of pandas, Polars, PyArrow or DuckDB, Results, or Cells; one row per result.
    result : the column to analyse; taken from Results or Cells if not given.
    random : sources of scatter: names, and tuples of names for their combinations.
    nested_in : factor -> the factor(s) within which its labels repeat.
    fixed : effects whose levels are themselves the question.
    covariates : numeric columns with a straight-line effect.
    by : columns that divide the data into groups, each fitted on its own in one pass.
    method : "anova" (balanced layouts only), "reml", or "auto".
    level : confidence of the intervals.

    Returns
    -------
    Fit

    Raises
    ------
    StudyError, InputError
        A term or column is not usable.
    LayoutError
        The design cannot answer: `method="anova"` on an unbalanced layout, too few results, fixed effects
        that cannot be told apart.
    EstimationError
        All results are equal, or repeats agree exactly.

    References
    ----------
    Searle, Casella & McCulloch (1992), Variance Components; Kenward & Roger (1997), Biometrics 53, 983-997.
    """
    if not 0 < level < 1:
        raise StudyError(f"level: found {level}, expected a confidence between 0 and 1, such as 0.95.")
    model = model_of(random=random, fixed=fixed, covariates=covariates, nested_in=nested_in)
    groups_by = (by,) if isinstance(by, str) else tuple(by)
    cells, name = _cells(data, result, model, groups_by)
    return fit_cells(cells, model, by=groups_by, method=method_of(method), level=level, result=name)


def fit_cells(
    cells: Cells, model: Model, *, by: Sequence[str] = (), method: Method = Method.AUTO, level: float = 0.95,
    result: str = "result",
) -> Fit:  # fmt: skip
    """The same from Cells and a Model."""
    clash = [name for name in by if name in model.keys]
    if clash:
        raise StudyError(
            f"by: {listed(clash)} divides the data into groups and is a term of the model too; within a "
            "group it has one level. Leave it out of one of the two."
        )
    division = divided(cells, by)
    groups = division.labels
    with one_thread(0, rows=len(cells)):
        parts = tuple(_parts(division, model, groups, method=method, level=level))
    return Fit(result=result, model=model, by=tuple(by), groups=groups, blocks=parts, level=level)


def _parts(
    division: Division, model: Model, groups: GroupLabels, *, method: Method, level: float
) -> Iterator[BlockFit]:
    by = division.by
    for block in division.blocks():
        names = GroupNames(by, groups, block.groups) if by else ()
        layout = layout_of(block, model, name=names[0] if names else "")
        if method is Method.ANOVA and not layout.balanced:
            raise LayoutError(
                "method 'anova': the layout is not balanced (or has covariates), so the analysis of variance "
                "is not unique. Use method 'reml', or 'auto', which chooses."
            )
        for at in _pieces(block, layout):
            piece = block.take(at) if by else block
            yield BlockFit(
                block=piece, layout=layout, method=method, level=level, names=names[at] if names else ()
            )


def _pieces(block: Block, layout: Layout) -> list[slice]:
    """Groups that are fitted side by side: as many as their equations may take memory for."""
    groups = len(block.groups)
    if layout.balanced:
        return [slice(0, groups)]
    sizes = [layout.random[i].size for i in layout.estimated]
    columns = sum(sizes) - max(sizes, default=0) + layout.fixed.matrix.shape[1] + block.mean.shape[2]
    at_once = max(1, _NUMBERS // (len(block.count) * columns))
    return [slice(start, start + at_once) for start in range(0, groups, at_once)]


@dataclass(frozen=True, slots=True)
class GroupNames(Sequence[str]):
    """What messages call the groups of a block; put into words only where one is said."""

    by: tuple[str, ...]
    labels: Sequence[tuple[object, ...]]
    groups: IntArray

    def __len__(self) -> int:
        return len(self.groups)

    @overload
    def __getitem__(self, position: int) -> str: ...

    @overload
    def __getitem__(self, position: slice) -> Sequence[str]: ...

    def __getitem__(self, position: int | slice) -> str | Sequence[str]:
        if isinstance(position, slice):
            return GroupNames(self.by, self.labels, self.groups[position])
        labels = self.labels[self.groups[position]]
        return ", ".join(f"{name} {label}" for name, label in zip(self.by, labels, strict=True))


def _cells(data: Any, result: str | None, model: Model, by: Sequence[str]) -> tuple[Cells, str]:
    from repeatab.intake.results import Results

    keys = list(dict.fromkeys([*by, *model.keys]))
    if isinstance(data, Cells):
        name = result or data.variables[0]
        return data.of_values([name, *model.covariates]).over(keys), name
    if isinstance(data, Results):
        result = result or "result"
    if result is None:
        raise StudyError("result: not given; expected the name of the column to analyse.")
    return reduce_to_cells(data, result=result, factors=keys, covariates=model.covariates), result
