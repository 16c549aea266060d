"""All checks on usable rows, in the order in which they are reported.

In: usable rows.  Out: findings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from repeatab.base.progress import Progress, silent
from repeatab.base.quantity import Quantity
from repeatab.intake.checks.agreement import check_averaging, check_units
from repeatab.intake.checks.keys import check_duplicates
from repeatab.intake.checks.labels import check_lone_levels, check_set_in_two_lots, check_spelling, levels_of
from repeatab.intake.checks.order import check_times
from repeatab.intake.checks.values import check_plausible
from repeatab.intake.engine import Lazy
from repeatab.outcome.outcome import DataFinding

Check = Callable[[], list[DataFinding]]


def check_usable(
    frame: Lazy,
    *,
    quantity: Quantity,
    factors: Sequence[str],
    covariates: Sequence[str],
    progress: Progress = silent,
) -> list[DataFinding]:
    """Run every check; what blocks the verdict comes first."""
    levels = levels_of(frame)
    return _found(
        [
            lambda: check_units(frame, quantity),
            lambda: check_averaging(frame),
            lambda: check_plausible(frame, quantity),
            lambda: check_duplicates(frame, factors=factors, covariates=covariates),
            lambda: check_spelling(frame, factors, levels),
            lambda: check_set_in_two_lots(frame),
            lambda: check_lone_levels(frame, factors, levels),
            lambda: check_times(frame, factors),
        ],
        progress,
    )


def check_rows(
    frame: Lazy, *, factors: Sequence[str], covariates: Sequence[str], repeated: tuple[int, int]
) -> list[DataFinding]:
    """The checks for which some of the rows are enough, if those of a run are together.

    repeated : `repeated_keys` of these rows, or of all there are.
    """
    return _found(
        [
            lambda: check_duplicates(frame, factors=factors, covariates=covariates, repeated=repeated),
            lambda: check_times(frame, factors, part=True),
        ]
    )


def check_levels(frame: Lazy, *, quantity: Quantity, factors: Sequence[str]) -> list[DataFinding]:
    """The checks that have to see all files, for which counts of the levels are enough."""
    levels = levels_of(frame)
    return _found(
        [
            lambda: check_units(frame, quantity),
            lambda: check_averaging(frame),
            lambda: check_spelling(frame, factors, levels),
            lambda: check_set_in_two_lots(frame),
            lambda: check_lone_levels(frame, factors, levels),
        ]
    )


def _found(checks: Sequence[Check], progress: Progress = silent) -> list[DataFinding]:
    findings: list[DataFinding] = []
    for done, check in enumerate(checks):
        progress("checks", done, len(checks))
        findings += check()
    progress("checks", len(checks), len(checks))
    return sorted(findings, key=lambda finding: not finding.blocks)
