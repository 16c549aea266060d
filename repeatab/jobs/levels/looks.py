"""Declared looks: at which look a growing study stands, and which error rates that look has.

In: the numbers of sets that were declared, and how many have run.  Out: LookState.
Between looks, and after the last, there is no verdict: a study judged whenever it has grown claims too much.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from repeatab.jobs.levels.comparison import LevelComparison, Rates
from repeatab.jobs.levels.outcome import ONE_LOOK
from repeatab.jobs.wording import enumerated
from repeatab.judgement.looks import LookLevels, Spending, information_fractions, look_levels
from repeatab.outcome.tables import Column, ColumnKind, Table, Value
from repeatab.outcome.verdict import Qualifier, Verdict

# Rates below this stand for "nothing can be claimed yet"; an interval needs some rate to be finite.
_SMALLEST = 1e-10


@dataclass(frozen=True, kw_only=True)
class LookState:
    """Where a study stands among its looks.

    rates : error rates of this judgement. between : there is no verdict now.
    position : 0-based number of the look; None without declared looks or between them.
    coming : sets at the next look; None if there is none.
    sentence : what a reader has to know of the looks.
    """

    rates: Rates
    between: bool
    sentence: str
    position: int | None = None
    coming: int | None = None
    table: Table | None = None

    @property
    def last(self) -> bool:
        """Whether this is the last declared look."""
        return self.position is not None and self.coming is None


def look_at(
    looks: Sequence[int],
    present: int,
    *,
    counted: str,
    have_run: str,
    confidence: float,
    standing: int | None = None,
) -> LookState:
    """The look that `present` sets are.

    Parameters
    ----------
    looks : declared numbers of sets, rising; none for a study that is judged once.
    counted : what is counted, such as "pad sets per rig".
    have_run : what has run so far, in words, after a semicolon.
    standing : sets of the other side if they do not grow from look to look; None if both sides grow alike.
    """
    if not looks:
        return LookState(rates=Rates.at(confidence), between=False, sentence=ONE_LOOK)
    fractions = information_fractions([(look if standing is None else standing, look) for look in looks])
    levels = look_levels(list(fractions), confidence=confidence, spending=Spending.O_BRIEN_FLEMING)
    position = list(looks).index(present) if present in looks else None
    coming = next((look for look in looks if look > present), None)
    table = _table(looks, levels, present, counted)
    declared = enumerated([str(look) for look in looks])
    start = f"Looks were declared at {declared} {counted}; {have_run}."
    if position is None:
        return LookState(
            rates=Rates.at(confidence), between=True, coming=coming, table=table,
            sentence=f"{start} {_no_verdict(looks, coming)}",
        )  # fmt: skip
    rates = Rates(
        difference=max(float(levels.difference[position]), _SMALLEST),
        equivalence=max(float(levels.equivalence[position]), _SMALLEST),
    )
    sentence = (
        f"{start} This is look {position + 1} of {len(looks)}: a difference is claimed at an error rate of "
        f"{rates.difference:.4f}, equivalence at {rates.equivalence:.4f}, so that over all looks together each stays "
        f"at {1 - confidence:.2f}. The intervals are the repeated intervals at these rates."
    )
    return LookState(
        rates=rates, between=False, sentence=sentence, position=position, coming=coming, table=table
    )


def look_of_levels(
    looks: Sequence[int], sets: Mapping[str, int], *, counted: str, have_run: str, confidence: float
) -> LookState:
    """The look that these numbers of sets are, where all compared levels grow.

    A look is taken when every level has the declared number. Were it taken at the smallest number alone, a level that
    stands still while another grows would be judged again and again at one and the same look.
    """
    fewest, most = min(sets.values()), max(sets.values())
    state = look_at(looks, fewest, counted=counted, have_run=have_run, confidence=confidence)
    if state.table is None or fewest == most:
        return state
    coming = next((look for look in looks if look >= most), None)
    short = enumerated([name for name, number in sets.items() if number < most])
    missing = (
        f"run what is missing ({short}), or leave out what was run last"
        if coming
        else "leave out what was run last"
    )
    sentence = (
        f"Looks were declared at {enumerated([str(look) for look in looks])} {counted}; {have_run}. A look is taken at "
        f"the same number for each, so there is no verdict now: {missing}, with that reason."
    )
    return LookState(
        rates=Rates.at(confidence), between=True, coming=coming, table=state.table, sentence=sentence
    )


def _no_verdict(looks: Sequence[int], coming: int | None) -> str:
    if coming is not None:
        return f"Between looks there is no verdict: the next one is at {coming} sets."
    return (
        f"That is more than the last look, so there is no verdict: judging again what was judged at {looks[-1]} would "
        "not keep the error rate. Leave the later sets out, with that reason, to see the verdict of the last look; or, "
        "if this study has not been judged there, declare this number as the last look."
    )


def held_back(comparison: LevelComparison) -> LevelComparison:
    """Where the study stands between its looks: estimates, but neither intervals nor verdicts."""
    nothing = float("nan")
    claims = tuple(
        replace(
            claim, lower=nothing, upper=nothing, inner_lower=nothing, inner_upper=nothing, p=nothing,
            verdict=Verdict.UNDECIDED, qualifier=Qualifier.BETWEEN_LOOKS,
            single_views=(Verdict.UNDECIDED,) * len(claim.single_views),
        )
        for claim in comparison.claims
    )  # fmt: skip
    return replace(comparison, claims=claims, verdict=Verdict.UNDECIDED, qualifier=Qualifier.BETWEEN_LOOKS)


def _table(looks: Sequence[int], levels: LookLevels, present: int, counted: str) -> Table:
    rows: list[tuple[Value, ...]] = [
        (i + 1, look, float(levels.difference[i]), float(levels.equivalence[i]),
         "this one" if look == present else "passed" if look < present else "to come")
        for i, look in enumerate(looks)
    ]  # fmt: skip
    return Table(
        key="looks",
        caption="Declared looks and the error rates they may spend",
        columns=(
            Column(key="look", caption="look", kind=ColumnKind.COUNT),
            Column(key="sets", caption=counted, kind=ColumnKind.COUNT),
            Column(key="difference", caption="rate of a difference claim", kind=ColumnKind.PROBABILITY),
            Column(key="equivalence", caption="rate of each one-sided test", kind=ColumnKind.PROBABILITY),
            Column(key="state", caption="state", kind=ColumnKind.TEXT),
        ),
        rows=tuple(rows),
        remarks=(
            f"Spending function of {levels.spending.value} (Lan & DeMets 1983, Biometrika 70, 659-663).",
        ),
    )
