"""What a candidate of a planned comparison costs and about what it gives, by integration.

In: planned runs, the comparison, beliefs.  Out: Weighed.
"""

from __future__ import annotations

from dataclasses import dataclass

from repeatab.base.errors import EstimationError, LayoutError, NotSeparableError
from repeatab.jobs.plans.comparison import AskedComparison, LaidOut, joint_plan, lay_out
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions
from repeatab.planning.contrast_information import ContrastInformation, contrast_information
from repeatab.planning.cost import hours_of
from repeatab.planning.exact import exact_verdicts
from repeatab.planning.joint_verdicts import (
    JointPlan,
    ViewPrecision,
    view_precisions,
)
from repeatab.planning.layouts import (
    LayoutKind,
    PlannedRuns,
    layout_words,
)
from repeatab.planning.verdict_probability import VerdictProbability

# Enough for the degrees of freedom of the views, for a first look at a candidate.
_FEW_DRAWS = 20


@dataclass(frozen=True, kw_only=True)
class Weighed:
    """A candidate that can be run.

    information : of each section, for the pair that is known least. by_integration : probability of equivalence at no
        offset in the section, pair and view of the scatter that is hardest to decide, by itself. simulated, expected :
        the overall probabilities at no offset, at the point estimate of the scatter and averaged over its uncertainty;
        None where it was not simulated.
    """

    laid: LaidOut
    plan: JointPlan
    information: tuple[ContrastInformation, ...]
    hours: float
    by_integration: float
    simulated: VerdictProbability | None = None
    expected: VerdictProbability | None = None

    @property
    def kind(self) -> LayoutKind:
        """The kind of its layout."""
        return self.laid.runs.kind

    @property
    def words(self) -> str:
        """The layout in words."""
        return layout_words(self.kind, self.laid.how.factor)

    @property
    def gain(self) -> float:
        """What the front is drawn by: the best figure there is."""
        return self.by_integration if self.expected is None else self.expected.equivalent


def weigh(
    runs: PlannedRuns, asked: AskedComparison, beliefs: PlanBeliefs, options: PlanOptions
) -> Weighed | None:
    """A candidate with what it gives; None where it cannot be fitted or its levels cannot be told apart."""
    try:
        laid = lay_out(runs, asked)
        if any(pair.confounded for pair in laid.how.pairs):
            return None
        plan = joint_plan(laid, asked, beliefs)
        # A design that cannot be fitted shows in a few draws.
        information, chance = _by_integration(plan, laid, asked)
    except (LayoutError, EstimationError, NotSeparableError):
        return None
    return Weighed(
        laid=laid,
        plan=plan,
        information=information,
        hours=hours_of(runs, options.costs),
        by_integration=chance,
    )


def _by_integration(
    plan: JointPlan, laid: LaidOut, asked: AskedComparison
) -> tuple[tuple[ContrastInformation, ...], float]:
    """What is known of each section, and the probability of equivalence at no offset in the hardest section, pair and
    view of the scatter."""
    known: dict[tuple[float, ...], tuple[list[ContrastInformation], tuple[ViewPrecision, ...]]] = {}
    information, chances = [], []
    for i, section in enumerate(plan.sections):
        key = tuple(section.variances)
        if key not in known:
            pairs = [
                contrast_information(laid.block, laid.layout, section.variances, asked.factor, pair.a, pair.b)
                for pair in laid.how.pairs
            ]
            known[key] = pairs, view_precisions(plan, i, draws=_FEW_DRAWS, seed=asked.seed)
        pairs, views = known[key]
        information.append(max(pairs, key=lambda one: one.se))
        if section.decides:
            seen = (ContrastInformation(se=pairs[view.pair].se * view.factor, df=view.df) for view in views)
            chances.append(min(exact_equivalence(plan, i, one, 0.0) for one in seen))
    return tuple(information), min(chances)


def exact_equivalence(plan: JointPlan, number: int, information: ContrastInformation, share: float) -> float:
    """Probability of equivalence of one section by integration, as if one t statistic decided."""
    section, look = plan.sections[number], plan.looks[-1]
    unit = section.level if section.bounds.of_ratio else 1.0
    low, high = ((bound - section.bounds.none) * unit for bound in (section.bounds.low, section.bounds.high))
    found = exact_verdicts(
        share * high, low=low, high=high, se=information.se, df=information.df, confidence=1 - look.equivalence,
        alpha=look.difference,
    )  # fmt: skip
    return float(found.equivalent[0])
