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
from repeatab.intake.roles import STOPS, Role
from repeatab.intake.statistics import Mean, Statistic
from repeatab.study.loading import Study

if TYPE_CHECKING:
    from repeatab.cells import Cells
    from repeatab.intake.machines import Machines

# What the levels of a job are of.
_COMPARED = tuple(role.value for role in (Role.RIG, Role.PAD_LOT, Role.PHASE))


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyResults:
    """What a study's files gave.

    results : checked; run results where several machines have read them. stops : the single stops, or, where these
    stayed on other machines, their cells by section and by what levels are compared of; None where each row is a run.
    """

    results: Results
    stops: Results | Cells | None


def study_results(study: Study, *, progress: Progress = silent) -> Results:
    """The checked results of a study, as its file says to read them.

    Raises
    ------
    InputError
        See `read_results`.
    """
    return results_and_stops(study, progress=progress).results


def results_and_stops(study: Study, *, progress: Progress = silent) -> StudyResults:
    """The same with what is known of the single stops.

    Raises
    ------
    InputError
        See `read_results`.
    """
    source = study.source
    if study.machines is not None:
        return _from_machines(study, study.machines, progress)
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
    results = results if results.has(SECTION) else _in_one_section(results, study.sections[0])
    several = holds_stops(results) and not results.has(STOPS)
    return StudyResults(results=results, stops=results if several else None)


def _from_machines(study: Study, machines: Machines, progress: Progress) -> StudyResults:
    """The run results of a study whose files are read and condensed on several machines."""
    from repeatab.cells.in_parts import merged
    from repeatab.intake.joined_pieces import joined_runs
    from repeatab.intake.spread import Order, read_on_machines

    source = study.source
    ways = {name: study.statistics.get(name, Mean()) for name in study.sections}
    order = Order(
        columns=dict(source.columns), options=source.options, aliases=source.aliases, exclude=source.exclusions,
        quantity=source.quantity, base=source.folder, make=CondensedPiece(statistics=ways), whole_runs=True,
    )  # fmt: skip
    spread = read_on_machines(source.files, order, machines, progress=progress)
    runs = joined_runs(
        spread.results, [part.runs for part in spread.made], ways, found_sections=spread.sections
    )
    stops = [part.stops for part in spread.made if part.stops is not None]
    return StudyResults(results=runs, stops=merged(stops) if stops else None)


@dataclass(frozen=True, slots=True, kw_only=True)
class CondensedPart:
    """Run results of some of the files, and their stops as cells where each run has several."""

    runs: Results
    stops: Cells | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CondensedPiece:
    """What a machine makes of the files it reads: the run results of the study's sections, by their statistics."""

    statistics: Mapping[str, Statistic]

    def __call__(self, results: Results) -> CondensedPart:
        if not results.has(SECTION):
            results = _in_one_section(results, next(iter(self.statistics)))
        runs = condense(results, self.statistics, part=True)
        runs = replace(
            runs, frame=runs.to_frame(), connection=None, findings=runs.findings[len(results.findings) :]
        )
        return CondensedPart(runs=runs, stops=_stops_as_cells(results))


def _stops_as_cells(results: Results) -> Cells | None:
    """The stops by section and by all that levels are compared of: what is shown of stops needs no more."""
    from repeatab.cells import reduce_to_cells

    factors = [name for name in (SECTION, *_COMPARED) if name in results.factors]
    if not holds_stops(results) or results.row_count == 0:
        return None
    return reduce_to_cells(results, result="result", factors=factors)


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
