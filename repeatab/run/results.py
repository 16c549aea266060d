"""The results of a study, as its file says to read them, and the run results that its question is put to.

In: a Study.  Out: Results, of this machine's reading or of several machines'.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import narwhals.stable.v2 as nw

from repeatab.base.errors import StudyError
from repeatab.base.progress import Progress, silent
from repeatab.intake.condense import SECTION, condense, holds_stops
from repeatab.intake.reading import read_results
from repeatab.intake.results import Results
from repeatab.intake.roles import STOPS
from repeatab.intake.statistics import Mean, Statistic
from repeatab.study.loading import Study

if TYPE_CHECKING:
    from repeatab.intake.machines import Machines


def study_results(study: Study, *, progress: Progress = silent) -> Results:
    """The checked results of a study, as its file says to read them.

    Raises
    ------
    InputError
        See `read_results`.
    """
    source = study.source
    if study.machines is not None:
        return _runs_from_machines(study, study.machines, progress)
    results = read_results(
        source.files,
        columns=source.columns,
        options=source.options,
        aliases=source.aliases,
        exclude=source.exclusions,
        quantity=source.quantity,
        relative_to=source.folder,
        progress=progress,
    )
    return results if results.has(SECTION) else _in_one_section(results, study.sections[0])


def _runs_from_machines(study: Study, machines: Machines, progress: Progress) -> Results:
    """The run results of a study whose files are read and condensed on several machines."""
    from repeatab.intake.spread import Order, joined_runs, read_on_machines, runs_in_several

    source = study.source
    order = Order(
        columns=dict(source.columns), options=source.options, aliases=source.aliases, exclude=source.exclusions,
        quantity=source.quantity, base=source.folder,
        make=CondensedPiece(sections=study.sections, statistics=dict(study.statistics)),
    )  # fmt: skip
    spread = read_on_machines(source.files, order, machines, groups=runs_in_several, progress=progress)
    return joined_runs(spread, study.sections)


@dataclass(frozen=True, slots=True, kw_only=True)
class CondensedPiece:
    """What a machine makes of the files it reads: the run results of the study's sections."""

    sections: tuple[str, ...]
    statistics: Mapping[str, Statistic]

    def __call__(self, results: Results) -> Results:
        if not results.has(SECTION):
            results = _in_one_section(results, self.sections[0])
        runs = condense(
            results, {name: self.statistics.get(name, Mean()) for name in self.sections}, part=True
        )
        return replace(runs, frame=runs.to_frame(), connection=None)


def _in_one_section(results: Results, section: str) -> Results:
    """Results without a section column are of the one section that the study names."""
    table = results.lazy().with_columns(nw.lit(section).alias(SECTION))
    frame = table.to_native() if results.is_lazy else table.collect(backend="pandas").to_native()
    return replace(results, frame=frame, factors=(*results.factors, SECTION))


def run_results(study: Study, results: Results) -> Results:
    """One result per run and section, by the statistics of the study.

    Raises
    ------
    StudyError
        A section holds several stops per run, and the study states no statistic for it.
    InputError
        See `condense`.
    """
    stated = study.statistics
    ways = {name: stated.get(name, Mean()) for name in study.sections}
    runs = results if results.has(STOPS) else condense(results, ways)
    several = runs.lazy().filter(nw.col(STOPS) > 1).select(SECTION).unique().collect()
    for name in sorted(str(level) for level in several[SECTION].to_list()):
        if name not in stated:
            raise StudyError(
                f"sections.{name}.statistic: is missing. The results hold several stops per run, and a "
                "verdict rests on one number per run. Take the number that your test standard or customer "
                'reports for this section: "mean", "minimum", "last 3 stops" or '
                '{ mean_over_conditions = ["20 bar", "40 bar"] }.'
            )
    return runs


def single_stops(results: Results) -> Results | None:
    """The results where they are stops; results condensed on several machines have left theirs there."""
    return results if holds_stops(results) and not results.has(STOPS) else None
