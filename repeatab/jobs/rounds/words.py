"""What a round robin says in words: answers, what they rest on, what stays open.

In: RoundStudy.  Out: judgements and sentences for the organiser's page.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from repeatab.interlab.precision import LIMIT_FACTOR, Precision
from repeatab.interlab.scores import Signal
from repeatab.jobs.rounds.analysis import LevelAnalysis
from repeatab.jobs.rounds.data import Label
from repeatab.jobs.rounds.question import SetKind
from repeatab.jobs.rounds.scores import Score
from repeatab.jobs.rounds.side_tables import change_over_round
from repeatab.jobs.rounds.study import RoundStudy
from repeatab.jobs.rounds.tables import equation
from repeatab.jobs.wording import enumerated, plural, result
from repeatab.outcome.verdict import Judgement, Verdict

VERDICT_OF = {
    Signal.ACCEPTABLE: Verdict.ACCEPTABLE,
    Signal.WARNING: Verdict.WARNING_SIGNAL,
    Signal.ACTION: Verdict.ACTION_SIGNAL,
}


def headline(study: RoundStudy) -> Judgement:
    """The precision of the method in one sentence, with the laboratories that call for attention."""
    data = study.data
    size = f"{plural(len(data.laboratories), 'laboratory').replace('laboratorys', 'laboratories')}, "
    size += f"{plural(len(data.levels), 'level')}"
    spans = [f"{name} = {_span(study, name)}" for name in ("s_r", "s_R") if _span(study, name)]
    sentences = [f"{size}: {', '.join(spans)}." if spans else f"{size}."]
    sentences += list(_attention(study))
    return Judgement(
        subject=f"measurement of {study.quantity.name} across laboratories",
        verdict=Verdict.DESCRIBED,
        reason=" ".join(sentences),
    )


def _span(study: RoundStudy, name: str) -> str:
    values = [getattr(one.precision, name, None) for one in study.analysis.levels]
    known = [value for value in values if value is not None]
    if not known:
        return ""
    low, high = result(min(known)), result(max(known))
    return low if low == high else f"{low} to {high}"


def _attention(study: RoundStudy) -> Iterator[str]:
    if study.scores is not None:
        by_signal: dict[Signal, list[str]] = {}
        for laboratory in study.data.laboratories:
            worst = study.scores.worst(laboratory)
            if worst is not None:
                by_signal.setdefault(worst, []).append(str(laboratory))
        for signal in (Signal.ACTION, Signal.WARNING):
            if signal in by_signal:
                yield f"{signal.value.capitalize()} for {enumerated(by_signal[signal])}."
    outliers = _flagged(study, "set_aside")
    if outliers:
        yield f"Statistical outliers: {outliers}; every number is shown with and without them."


def _flagged(study: RoundStudy, which: str) -> str:
    found: dict[str, list[str]] = {}
    for one in study.analysis.levels:
        for laboratory in getattr(one.log, which):
            found.setdefault(str(laboratory), []).append(str(one.level))
    return (
        enumerated([f"{lab} (level {', '.join(levels)})" for lab, levels in found.items()]) if found else ""
    )


def judgements(study: RoundStudy) -> tuple[Judgement, ...]:
    """One answer per laboratory where there are scores, then one per level."""
    made = [] if study.scores is None else [_of_laboratory(study, lab) for lab in study.data.laboratories]
    return (*(one for one in made if one is not None), *(_of_level(one) for one in study.analysis.levels))


def _of_laboratory(study: RoundStudy, laboratory: Label) -> Judgement | None:
    assert study.scores is not None
    scores = study.scores.of(laboratory)
    worst = study.scores.worst(laboratory)
    if worst is None:
        return None
    return Judgement(
        subject=str(laboratory), verdict=VERDICT_OF[worst], reason=scores_in_words(scores), decides=True
    )


def scores_in_words(scores: Sequence[Score]) -> str:
    """The scores of one laboratory in a sentence."""
    parts = [f"{s.level} {'z′' if s.uses_z_prime else 'z'} = {signed(s.judged)}" for s in scores]
    return f"{', '.join(parts)}."


def signed(value: float) -> str:
    """A score with its sign and two decimals."""
    text = f"{value:+.2f}"
    return text.replace("-", "−")


def _of_level(one: LevelAnalysis) -> Judgement:
    found = one.precision
    if found is None:
        return Judgement(
            subject=f"level {one.level}",
            verdict=Verdict.UNDECIDED,
            reason=one.trouble("precision"),
            decides=False,
        )
    if isinstance(found, Precision):
        reason = (
            f"{found.laboratories} laboratories, {found.results} results: mean {result(found.mean)}, "
            f"s_r = {result(found.s_r)}, s_L = {result(found.s_L)}, s_R = {result(found.s_R)}; "
            f"{_limits(found)}"
        )
    else:
        reason = (
            f"{found.laboratories} laboratories with one result each: s_R = {result(found.s_R)}; s_r and k cannot be "
            "told from single results."
        )
    if one.log.set_aside and one.excluded is not None:
        names = enumerated([str(lab) for lab in one.log.set_aside])
        reason += f" Without {names}: s_R = {result(one.excluded.s_R)}."
    return Judgement(subject=f"level {one.level}", verdict=Verdict.DESCRIBED, reason=reason, decides=False)


def _limits(found: Precision) -> str:
    r, limit = result(found.r_limit), result(found.R_limit)
    if found.limit_factor != LIMIT_FACTOR:
        return f"limits r = {r} and R = {limit} ({found.limit_factor:g} times s_r and s_R)."
    return f"two results differ by less than {r} within and {limit} between laboratories in 95 of 100 cases."


def evidence(study: RoundStudy) -> tuple[str, ...]:
    """What the answers rest on."""
    return (*_on_data(study), *_on_tests(study), *_on_dependence(study), *_on_sets(study), *_on_scores(study))


def _on_data(study: RoundStudy) -> Iterator[str]:
    data = study.data
    results = sum(int(one.every.count.sum()) for one in study.analysis.levels)
    cells = sum(one.every.p for one in study.analysis.levels)
    full = len(data.laboratories) * len(data.levels)
    gaps = f"; {plural(full - cells, 'cell')} missing" if full > cells else ""
    yield f"{results} results in {cells} cells{gaps}."
    if data.without_rows:
        names = enumerated([str(lab) for lab in data.without_rows])
        yield (
            f"{names} gave cells (count, mean, sums of squares) and not their results; nothing is lost by it in "
            "s_r, s_L, s_R, h, k and the tests."
        )
    if data.rounded:
        names = enumerated([str(lab) for lab in data.rounded])
        yield (
            f"The numbers of {names} come from a table of rounded means and standard deviations; what is computed "
            "from them is good to those digits only."
        )


def _on_tests(study: RoundStudy) -> Iterator[str]:
    outliers, stragglers = _flagged(study, "set_aside"), _flagged(study, "stragglers")
    if outliers:
        yield f"Statistical outliers (1 %): {outliers}. They stay in unless the study file excludes them."
    if stragglers:
        yield f"Stragglers (5 %): {stragglers}. They stay in; ask the laboratory before any decision."
    if not outliers and not stragglers:
        yield "The tests for outliers find nothing at 5 %."
    early = [str(one.level) for one in study.analysis.levels if one.log.ended_early]
    if early:
        yield (
            f"At level {enumerated(early)} the tests go on finding outliers when too few laboratories would be left; "
            "they end there."
        )


def _on_dependence(study: RoundStudy) -> Iterator[str]:
    forms = [
        f"{name}: {equation(form.form, form.intercept, form.slope)}"
        for name, form in ((name, study.recommended(name)) for name in ("s_r", "s_R"))
        if form is not None
    ]
    if forms:
        yield f"Over the levels m, {'; '.join(forms)} (recommended forms)."


def _on_sets(study: RoundStudy) -> Iterator[str]:
    yield from _on_drift(study)
    for parts in study.components:
        if parts.sets_are_joint:
            yield f"Level {parts.level}: {parts.sets_are_joint} are one number, since each set ran in one place only."
    for check in study.lot:
        word = "alike and stable enough" if check.adequate else "not alike or not stable enough"
        yield f"Level {check.level}: the lot is {word} for sigma_pt (ISO 13528, annex B)."


def _on_drift(study: RoundStudy) -> Iterator[str]:
    found = {level: one for level, one in study.drifts.items() if one.drift is not None}
    if found:
        changes = [
            f"{result(change_over_round(study, level) or 0.0, sign=True)} ({level})" for level in found
        ]
        sure = [str(level) for level, one in found.items() if one.drift and one.drift.interval.excludes(0.0)]
        beyond = f"beyond chance at {enumerated(sure)}" if sure else "nowhere beyond chance"
        handled = "taken out of the results" if study.drift_taken_out else "left in the results"
        yield (
            f"The travelling sets drift by {enumerated(changes)} from the first to the last laboratory, {beyond}; "
            f"it is {handled}."
        )
    for level, one in study.drifts.items():
        if one.drift is None:
            yield f"Level {level}: no drift can be told. {one.trouble}"


def _on_scores(study: RoundStudy) -> Iterator[str]:
    if study.scores is None:
        yield "No scores: the study states no standard deviation for proficiency assessment."
        return
    basis = study.scores.assigned[0].assigned.basis.value
    reference = study.scores.reference_laboratory
    named = f" '{reference}'" if reference is not None else ""
    yield f"Assigned values: {basis}{named}. sigma_pt is the organiser's decision."


def cannot_tell(study: RoundStudy) -> tuple[str, ...]:
    """What the design leaves open."""
    return tuple(_open(study))


def _open(study: RoundStudy) -> Iterator[str]:
    yield (
        "Which laboratory reads true: a consensus is the middle of the participants, not a truth."
        if (study.scores is None or "consensus" in study.scores.assigned[0].assigned.basis.value)
        else "Whether the assigned value is true beyond its stated uncertainty."
    )
    travelling = [str(level) for level, kind in study.kinds.items() if kind is SetKind.TRAVELLING]
    if travelling and study.question.travelling is None:
        yield (
            f"How far wear moved the travelling sets of level {enumerated(travelling)}: no pilot laboratory is named "
            "(travelling.pilot), so wear is part of the difference between laboratories. If these are different sets "
            "with one label, say sets = 'distributed'."
        )
    if any(kind is SetKind.NOT_RECORDED for kind in study.kinds.values()):
        yield "What the pad sets add: which set ran where is not recorded, so their scatter is part of s_r or s_L."
    if not any(one.factors for one in study.components):
        yield "What rigs, operators and days add within a laboratory: none of them varies in the results."
    if len(study.data.laboratories) == 2:
        yield "Which of two laboratories is out of line: h and Grubbs' tests need three."
