"""Sentences of a lot comparison.

In: a compared LotStudy.  Out: headline, judgements per lot, evidence, what the design cannot tell.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from repeatab.jobs.levels.comparison import LevelComparison, overall
from repeatab.jobs.levels.influence import influence_sentence
from repeatab.jobs.levels.layout import LevelPair
from repeatab.jobs.levels.look_plans import next_at_looks
from repeatab.jobs.levels.more_blocks import MoreBlocks
from repeatab.jobs.levels.outcome import common_limits
from repeatab.jobs.levels.residuals import residual_sentence
from repeatab.jobs.levels.stop_by_stop import overclaimed
from repeatab.jobs.levels.tables import claim_name, key_of
from repeatab.jobs.levels.words import scatter_sentence
from repeatab.jobs.lots.question import RigsAs
from repeatab.jobs.lots.study import LotStudy
from repeatab.jobs.questions import Analysis
from repeatab.jobs.wording import enumerated, p_value, percent, plural, result
from repeatab.outcome.outcome import NextRuns
from repeatab.outcome.verdict import Judgement, Qualifier, Verdict

_CONFORMITY = {
    Verdict.DOES_NOT_CONFORM: (
        "does not conform to its specification in",
        "do not conform to their specifications in",
    ),
    Verdict.UNDECIDED: (
        "is neither shown to conform to its specification nor shown not to in",
        "are neither shown to conform to their specifications nor shown not to in",
    ),
    Verdict.CONFORMS: ("conforms to its specification in", "conform to their specifications in"),
}


def headline(study: LotStudy) -> Judgement:
    """The overall verdict with its reason."""
    comparison = study.comparison
    return Judgement(
        subject=_subject(study),
        verdict=comparison.verdict,
        qualifier=comparison.qualifier,
        reason=study.look.sentence
        if study.look.between
        else f"{_headline_reason(comparison)}{_outside(study)}",
    )


def _subject(study: LotStudy) -> str:
    question = study.question
    lots = [str(lot) for lot in question.lots]
    if question.reference_lot is None:
        return enumerated(lots)
    return f"{enumerated(lots)} against {question.reference_lot}"


def _headline_reason(comparison: LevelComparison) -> str:
    count = plural(len({claim.section.name for claim in comparison.deciding}), "deciding section")
    match comparison.verdict:
        case Verdict.UNDECIDED if comparison.confounded:
            return f"The difference cannot be told from something else: {comparison.confounded[0]}"
        case Verdict.DIFFERENT:
            return f"{_differences(comparison)}, of {count}; one is enough.{_rest(comparison)}"
        case Verdict.EQUIVALENT:
            where = "In the deciding section" if count.startswith("1 ") else f"In all of {count}"
            pairs = ", for every pair of lots" if len(comparison.how.pairs) > 1 else ""
            return f"{where} the difference is shown to lie inside the margin{pairs}."
        case _:
            return f"No deciding section shows a difference.{_rest(comparison)}"


def _outside(study: LotStudy) -> str:
    """What no reader of a headline may miss: a lot outside its specification."""
    sentences = _conformity(study, Verdict.DOES_NOT_CONFORM)
    return "".join(f" {sentence}" for sentence in sentences)


def _differences(comparison: LevelComparison) -> str:
    parts = []
    for pair in comparison.how.pairs:
        names = [
            c.section.name for c in comparison.deciding if c.pair is pair and c.verdict is Verdict.DIFFERENT
        ]
        if names:
            parts.append(f"{pair.a} differs from {pair.b} in {enumerated(names)}")
    return "; ".join(parts)


def _rest(comparison: LevelComparison) -> str:
    """What stays open and what is shown, pair by pair."""
    sentences = []
    for pair in comparison.how.pairs:
        names = [
            c.section.name for c in comparison.deciding if c.pair is pair and c.verdict is Verdict.UNDECIDED
        ]
        if names:
            sentences.append(f"Open for {pair.name}: {enumerated(names)}.")
    return "".join(f" {sentence}" for sentence in sentences)


def pair_judgements(study: LotStudy) -> Iterator[Judgement]:
    """Every pair of lots over its deciding sections, where there are several pairs."""
    comparison = study.comparison
    if len(comparison.how.pairs) < 2:
        return
    for pair in comparison.how.pairs:
        subject = f"{pair.name}, all deciding sections"
        if study.look.between:
            yield Judgement(
                subject=subject, verdict=Verdict.UNDECIDED, qualifier=Qualifier.BETWEEN_LOOKS,
                reason="There is no verdict between looks.",
            )  # fmt: skip
            continue
        claims = [claim for claim in comparison.deciding if claim.pair is pair]
        verdict, qualifier = overall(claims)
        by_verdict: dict[Verdict, list[str]] = {}
        for claim in claims:
            by_verdict.setdefault(claim.verdict, []).append(claim.section.name)
        reason = "; ".join(f"{word.value} in {enumerated(names)}" for word, names in by_verdict.items())
        yield Judgement(
            subject=subject,
            verdict=verdict,
            qualifier=qualifier,
            reason=pair.confounded[0] if qualifier is Qualifier.CONFOUNDED else f"{reason.capitalize()}.",
        )


def evidence(study: LotStudy) -> tuple[str, ...]:
    """What the verdict rests on."""
    comparison = study.comparison
    sections = list(dict.fromkeys(claim.section.name for claim in comparison.deciding))
    adjusted = "sections and pairs of lots" if len(comparison.how.pairs) > 1 else "sections"
    sentences = [
        *(_sets(pair, study) for pair in comparison.how.pairs),
        *([study.look.sentence] if study.look.table is not None and not study.look.between else []),
        f"Decided by {enumerated(sections)} at {comparison.confidence:.0%} confidence, difference claims adjusted over "
        f"all {adjusted} together.",
        *_rigs(study),
        *_wear(study),
        *scatter_sentence(comparison, study.scatter),
        *influence_sentence(comparison, study.influences),
        *residual_sentence(study.residuals),
        *_specification(study),
    ]
    wrong = [] if study.trap is None else overclaimed(study.trap)
    if wrong:
        sentences.append(
            f"A test on single stops would have claimed a difference in {enumerated(wrong)} as well; stops of one run "
            "are not independent results of a lot, so that claim is not made."
        )
    return tuple(sentences)


def _sets(pair: LevelPair, study: LotStudy) -> str:
    table = study.comparison.how.table
    runs = [
        len(table[table[study.comparison.how.factor] == lot].drop_duplicates(study.run_keys))
        for lot in (pair.a, pair.b)
    ]
    return (
        f"Independent evidence: {plural(pair.sets_a, 'pad set')} of {pair.a} ({plural(runs[0], 'run')}) and "
        f"{pair.sets_b} of {pair.b} ({plural(runs[1], 'run')}); the sets count, not the runs or stops."
    )


def _rigs(study: LotStudy) -> list[str]:
    table = study.comparison.how.table
    if "rig" not in table.columns:
        return []
    rigs = sorted(dict.fromkeys(str(rig) for rig in table["rig"]))
    if len(rigs) == 1:
        return []
    shared = int((table.groupby("pad_set")["rig"].nunique() > 1).sum())
    same = (
        [
            f"By their labels {plural(shared, 'pad set')} ran on several rigs. If labels are used anew on every rig, "
            "these are different sets: label them apart, or the evidence is counted too low."
        ]
        if shared
        else []
    )
    if study.question.rigs is RigsAs.RANDOM:
        return [
            *same,
            f"Rigs {enumerated(rigs)} count as a sample of rigs: their scatter, and how differently they rank the "
            "lots, is part of the interval.",
        ]
    return [*same, f"Lots are compared within rigs {enumerated(rigs)}, so that offsets between these cancel."]


def _wear(study: LotStudy) -> list[str]:
    if not study.trends:
        return []
    clear = [trend for trend in study.trends if trend.p < 1 - study.question.confidence]
    treated = "is taken out before the lots are compared" if study.wear_removed else "is not taken out"
    if not clear:
        return [f"Sets that ran more than once show no clear wear; a trend with their runs {treated}."]

    def shown(slope: float) -> str:
        in_percent = study.question.analysis is Analysis.RATIO
        return percent(100 * slope, sign=True) if in_percent else result(slope, sign=True)

    named = enumerated([f"{t.section} ({shown(t.slope)} per further run, {p_value(t.p)})" for t in clear])
    return [f"Sets wear from run to run in {named}; the trend {treated}."]


def _specification(study: LotStudy) -> list[str]:
    if study.look.between:
        return []
    return [sentence for verdict in _CONFORMITY for sentence in _conformity(study, verdict)]


def _conformity(study: LotStudy, verdict: Verdict) -> list[str]:
    """The lots with this verdict on their specification; lots that share their sections in one sentence."""
    by_lot: dict[str, list[str]] = {}
    for found in study.conformities:
        if found.verdict is verdict:
            by_lot.setdefault(str(found.lot), []).append(found.section.name)
    by_sections: dict[str, list[str]] = {}
    for lot, names in by_lot.items():
        by_sections.setdefault(enumerated(names), []).append(lot)
    words = _CONFORMITY[verdict]
    return [f"{enumerated(lots)} {words[len(lots) > 1]} {names}." for names, lots in by_sections.items()]


def cannot_tell(study: LotStudy) -> tuple[str, ...]:
    """What this design leaves open."""
    comparison = study.comparison
    table = comparison.how.table
    found = [*common_limits(comparison), *study.wear_trouble]
    if "rig" not in table.columns:
        found.append("Rigs are not recorded, so an offset between rigs cannot be told from one between lots.")
    elif table["rig"].nunique() == 1:
        found.append("All runs are from one rig; whether another rig would show the same difference is open.")
    elif study.question.rigs is RigsAs.RANDOM and table["rig"].nunique() < 4:
        found.append(
            f"{table['rig'].nunique()} rigs are few for a statement about rigs in general: the interval rests on "
            "hardly any degrees of freedom, and only further rigs, not further sets, would narrow it much."
        )
    elif study.question.rigs is RigsAs.BLOCKS:
        found.append("The verdict is about these rigs; another rig may rank the lots differently.")
    found.append(
        "Where a difference comes from: mix, process, storage and bedding of a lot are one with the lot."
    )
    return (*found, *([study.look.sentence] if study.look.table is None else []))


def next_runs(study: LotStudy) -> NextRuns | None:
    """What to run next: sets up to the next look, or further sets, and rigs where these are a sample."""
    comparison, hours = study.comparison, study.question.cost.hours_per_set
    found = next_at_looks(comparison, study.look, study.planned, study.sets, of="of", hours_per_set=hours)
    if found is None or not study.more_rigs:
        return found
    sentences = [
        _rigs_needed(claim_name(claim, comparison), study.more_rigs[key_of(claim)], hours)
        for claim in comparison.compared
        if key_of(claim) in study.more_rigs
    ]
    return replace(found, sentence=f"{found.sentence} By rigs: {' '.join(sentences)}")


def _rigs_needed(name: str, more: MoreBlocks, hours: float | None) -> str:
    if more.further is None:
        return f"for {name}, not even {more.reach} rigs in all suffice with {more.sets} sets of each lot on each."
    cost = "" if hours is None else f" ({2 * more.sets * more.further * hours:g} rig hours)"
    return (
        f"for {name}, {plural(more.further, 'further rig')} with {more.sets} sets of each lot on each would bring a "
        f"verdict{cost}."
    )
