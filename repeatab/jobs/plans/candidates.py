"""The candidates of a planned comparison: layouts of every named kind and size, and what the free search finds.

In: the comparison, beliefs, costs and limits.  Out: Weighed candidates, and the layouts none of which can be run.
"""

from __future__ import annotations

from collections.abc import Sequence

from repeatab.jobs.plans.comparison import AskedComparison
from repeatab.jobs.plans.question import PlanBeliefs, PlanOptions, SectionBelief
from repeatab.jobs.plans.weighing import Weighed, weigh
from repeatab.planning.cost import front, why_not
from repeatab.planning.free_search import Search, SetScatter, combined_runs, courses, search
from repeatab.planning.layouts import NAMED, REPEATING, LayoutKind, PlannedRuns, laid_out, on_rigs

_SIZES = (2, 3, 4, 5, 6, 7, 8, 10, 12, 14, 16, 20, 24, 30, 40)
_LOT_KINDS = (LayoutKind.SPLIT_LOT, LayoutKind.NESTED, LayoutKind.STAGGERED)
# Beyond the first certain plan more hours buy nothing.
_CERTAIN = 10
# Searches, and by how much a layout so found has to show more than a named one to be worth its unusual shape.
_SEARCHES, _MORE = 4, 0.005


def candidates_of(
    asked: AskedComparison, beliefs: PlanBeliefs, options: PlanOptions
) -> tuple[list[Weighed], tuple[tuple[LayoutKind, str], ...]]:
    """Every candidate that can be run, cheapest first, and the layouts without one, with the reason."""
    found: list[Weighed] = []
    left_out = []
    # Where each section is this likely to be decided, all together are too, at scatter somewhat above the belief.
    certain = 1 - (1 - options.target) / (_CERTAIN * len(asked.sections))
    for kind in _kinds(asked):
        if kind in REPEATING and not _repeats_known(asked, beliefs):
            left_out.append((kind, "the scatter of repeats is not stated: repeatability"))
            continue
        own, reason = _of_kind(kind, asked, beliefs, options, certain)
        found += own
        left_out += [] if own else [(kind, reason)]
    found += _searched(found, asked, beliefs, options)
    return sorted(found, key=lambda c: (c.hours, -c.by_integration)), tuple(left_out)


def _of_kind(
    kind: LayoutKind, asked: AskedComparison, beliefs: PlanBeliefs, options: PlanOptions, certain: float
) -> tuple[list[Weighed], str]:
    """The candidates of one kind, from small to large, and why there are no more."""
    own: list[Weighed] = []
    reason, last = "too few sets for any scatter to be seen", None
    for size in (n for n in _sizes(asked) if n <= options.most_sets):
        runs = _runs_of(kind, size, asked, options)
        if runs == last:
            reason = "no more sets are at hand"
            break
        last, refused = runs, why_not(runs, options.costs, options.limits)
        if refused is not None:
            reason = refused
            break
        weighed = weigh(runs, asked, beliefs, options)
        if weighed is not None:
            own.append(weighed)
            if weighed.by_integration > certain:
                # More sets of this layout cost more and cannot show more.
                break
    return own, reason


def _runs_of(kind: LayoutKind, size: int, asked: AskedComparison, options: PlanOptions) -> PlannedRuns:
    """So many sets of each level, or in all; fewer of a level that has fewer at hand, unless looks are declared."""
    at_hand = options.limits.sets_of
    levels = asked.levels
    own_sets = kind in (LayoutKind.SPLIT_LOT, LayoutKind.NESTED, LayoutKind.STAGGERED)
    if own_sets and not asked.looks and any(at_hand.get(level, size) < size for level in levels):
        runs = laid_out(kind, levels, {level: min(size, at_hand.get(level, size)) for level in levels})
    else:
        runs = laid_out(kind, levels, size)
    return on_rigs(runs, asked.rigs) if asked.rigs else runs


def _searched(
    named: Sequence[Weighed], asked: AskedComparison, beliefs: PlanBeliefs, options: PlanOptions
) -> list[Weighed]:
    """What the free search finds for the hours of the named layouts, where it shows more than each of them that costs
    no more. With declared looks all levels have the same number of sets, and nothing is searched."""
    if asked.looks or not named:
        return []
    repeats = _repeats_known(asked, beliefs)
    what = Search(
        courses=courses(asked.levels, asked.rigs, options.limits, repeats=repeats),
        pairs=tuple((str(a), str(b)) for a, b in asked.pairs), scatter=_set_scatter(beliefs.common, repeats=repeats),
        costs=options.costs, limits=options.limits, even=bool(asked.rigs), criterion=options.criterion,
    )  # fmt: skip
    found: list[Weighed] = []
    for hours in budgets_of(named, options.target):
        combination = search(what, hours=hours, seed=asked.seed)
        runs = None if combination is None else combined_runs(what, combination)
        if runs is None or why_not(runs, options.costs, options.limits) is not None:
            continue
        weighed = weigh(runs, asked, beliefs, options)
        if weighed is None:
            continue
        rivals = [c.by_integration for c in (*named, *found) if c.hours <= weighed.hours + 1e-9]
        if weighed.by_integration > max(rivals, default=0.0) + _MORE:
            found.append(weighed)
    return found


def budgets_of(named: Sequence[Weighed], target: float) -> list[float]:
    """Hours of the named plans that no cheaper one equals, around the target."""
    best = front(named, lambda c: c.hours, lambda c: c.by_integration)
    near = sorted(best, key=lambda c: abs(c.by_integration - target))[:_SEARCHES]
    return sorted(c.hours for c in near)


def _set_scatter(belief: SectionBelief, *, repeats: bool) -> SetScatter:
    variance = {name: one.sd**2 for name, one in belief.scatter.items() if name not in ("rig", "operator")}
    own, on_rig = variance.pop("pad_set", 0.0), variance.pop("rig_by_pad_set", 0.0)
    rest = sum(variance.values())
    if repeats:
        return SetScatter(pad_set=own, rig_by_set=on_rig, run=rest)
    return SetScatter(pad_set=0.0, rig_by_set=0.0, run=own + on_rig + rest)


def _repeats_known(asked: AskedComparison, beliefs: PlanBeliefs) -> bool:
    found = [beliefs.of(section.name).scatter.get("repeatability") for section in asked.sections]
    return all(one is not None and one.sd > 0 for one in found)


def _kinds(asked: AskedComparison) -> Sequence[LayoutKind]:
    if asked.factor != "rig":
        return _LOT_KINDS
    return [kind for kind in NAMED if kind is not LayoutKind.INCOMPLETE or len(asked.levels) > 2]


def _sizes(asked: AskedComparison) -> tuple[int, ...]:
    """With declared looks the last of them is the size of the study."""
    return (asked.looks[-1],) if asked.looks else _SIZES
