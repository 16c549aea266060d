"""What to run next in a study with declared looks, and how its looks are described.

In: a LevelComparison, where it stands among its looks, and the plans for open claims.  Out: sentences.
Before a look that is still to come the next step is that look; after the last one only a new study can decide.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from repeatab.jobs.levels.comparison import LevelComparison
from repeatab.jobs.levels.looks import LookState
from repeatab.jobs.levels.outcome import next_runs_of
from repeatab.jobs.levels.tables import Key, claim_name, key_of
from repeatab.jobs.wording import enumerated, plural
from repeatab.outcome.outcome import MethodNote, NextRuns
from repeatab.outcome.verdict import Verdict
from repeatab.planning.next_runs import MoreRuns


def next_at_looks(
    comparison: LevelComparison,
    look: LookState,
    planned: Mapping[Key, MoreRuns],
    sets: Mapping[str, int],
    *,
    of: str,
    hours_per_set: float | None,
) -> NextRuns | None:
    """What to run next: up to the next look where one is to come, else what a study without looks is told.

    Parameters
    ----------
    sets : level -> pad sets that have run. of : the word between sets and level, such as "on" or "of".
    """
    found = next_runs_of(comparison, planned, hours_per_set=hours_per_set)
    if comparison.confounded or look.table is None:
        return found
    if look.coming is None:
        return found if found is None else replace(found, sentence=_afresh(comparison, planned))
    if not look.between and comparison.verdict is not Verdict.UNDECIDED:
        return None
    short = {level: look.coming - number for level, number in sets.items() if number < look.coming}
    further = enumerated([f"{plural(n, 'more pad set')} {of} {level}" for level, n in short.items()])
    cost = "" if hours_per_set is None else f" ({sum(short.values()) * hours_per_set:g} rig hours)"
    factor = comparison.how.factor_name
    return NextRuns(
        sentence=f"{further}{cost}; the next look is at {look.coming} sets per {factor}, and nothing is judged before."
    )


def _afresh(comparison: LevelComparison, planned: Mapping[Key, MoreRuns]) -> str:
    """How many fresh sets a new study would take in all."""
    parts = []
    for claim in comparison.compared:
        plan = planned.get(key_of(claim))
        if plan is None:
            continue
        none, _, seen, _ = (
            f"more than {plan.reach}" if need.sets is None else str(need.sets) for need in plan.needed
        )
        name = claim_name(claim, comparison)
        parts.append(f"{name}: {none} if there is no difference, {seen} if it is as observed")
    return (
        "The declared looks are used up, so sets added to this study decide nothing. Fresh pad sets per "
        f"{comparison.how.factor_name} for a new study, judged once: {'; '.join(parts)}."
    )


def looks_method() -> MethodNote:
    """How the error rates of declared looks are formed."""
    return MethodNote(
        quantity="declared looks",
        method="spending function of O'Brien-Fleming type; t tests at the nominal rates of the look",
        source="Lan & DeMets (1983), Biometrika 70, 659-663; Jennison & Turnbull (1989), J. R. Stat. Soc. B 51, "
        "305-361",
    )
