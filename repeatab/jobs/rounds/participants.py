"""The pages of the participants: each with its own results highlighted and all others under codes.

In: RoundStudy with codes.  Out: Participant for every laboratory. No text made here may hold the name of a
laboratory, the page's own included: pages are told apart by code.
"""

from __future__ import annotations

from collections.abc import Mapping

from repeatab.interlab.scores import Signal
from repeatab.jobs.rounds.data import Label
from repeatab.jobs.rounds.figures import consistency_figure, results_figure
from repeatab.jobs.rounds.scores import Score
from repeatab.jobs.rounds.side_tables import assigned_table, scores_table
from repeatab.jobs.rounds.study import RoundStudy
from repeatab.jobs.rounds.tables import consistency_table, made
from repeatab.jobs.rounds.words import VERDICT_OF, scores_in_words, signed
from repeatab.jobs.wording import enumerated, plural, result
from repeatab.outcome.participants import Participant
from repeatab.outcome.tables import Table
from repeatab.outcome.verdict import Judgement, Verdict


def participants(study: RoundStudy) -> tuple[Participant, ...]:
    """A page for each laboratory, in the order of the codes; none where no codes are asked for."""
    ordered = sorted(study.codes.items(), key=lambda entry: entry[1])
    return tuple(_page(study, laboratory, code) for laboratory, code in ordered)


def _page(study: RoundStudy, laboratory: Label, code: str) -> Participant:
    scores = () if study.scores is None else study.scores.of(laboratory)
    names = study.codes
    marked = {**names, laboratory: f"{code} (yours)"}
    tables = made(
        [
            scores_table(study, scores, names.__getitem__),
            consistency_table(study, marked, known_as=False),
            _all_scores(study, marked),
            assigned_table(study),
        ]
    )
    return Participant(
        code=code,
        laboratory=str(laboratory),
        headline=_headline(study, laboratory, scores),
        judgements=tuple(_level_judgement(study, score) for score in scores),
        evidence=_evidence(study, laboratory),
        cannot_tell=(
            "Which laboratory stands behind another code: only the organiser knows.",
            "What causes a deviation: look at the rig, the thermocouples, the torque zero, the bedding and the cooling "
            "air, and at the order in which sets were run.",
        ),
        tables=tables,
        figures=(
            results_figure(study, names, highlight=code),
            consistency_figure(study, names, highlight=code),
        ),
    )  # fmt: skip


def _all_scores(study: RoundStudy, marked: Mapping[Label, str]) -> Table | None:
    if study.scores is None:
        return None
    ordered = sorted(study.scores.scores, key=lambda s: study.codes[s.laboratory])
    return scores_table(
        study, ordered, marked.__getitem__, key="all_scores", caption="Scores of all participants"
    )


def _headline(study: RoundStudy, laboratory: Label, scores: tuple[Score, ...]) -> Judgement:
    subject = f"participant {study.codes[laboratory]}"
    if study.scores is None or not scores:
        reason = (
            "This laboratory's results are the assigned values."
            if _is_reference(study, laboratory)
            else ("The organiser gives no scores in this round; see h and k for where the laboratory stands.")
        )
        return Judgement(subject=subject, verdict=Verdict.DESCRIBED, reason=reason)
    worst = study.scores.worst(laboratory) or Signal.ACCEPTABLE
    where = [str(score.level) for score in scores if score.signal is worst]
    at = "at every level" if len(where) == len(scores) else f"at level {enumerated(where)}"
    return Judgement(
        subject=subject,
        verdict=VERDICT_OF[worst],
        reason=f"{worst.value.capitalize()} {at}. {scores_in_words(scores)}",
    )


def _is_reference(study: RoundStudy, laboratory: Label) -> bool:
    return study.scores is not None and study.scores.reference_laboratory == laboratory


def _level_judgement(study: RoundStudy, score: Score) -> Judgement:
    assert study.scores is not None
    found = study.scores.at(score.level)
    difference = score.result - found.assigned.value
    return Judgement(
        subject=f"level {score.level}",
        verdict=VERDICT_OF[score.signal],
        reason=f"Mean {result(score.result)}, {result(difference, sign=True)} against the assigned value "
        f"{result(found.assigned.value)}; {'z′' if score.uses_z_prime else 'z'} = {signed(score.judged)} with "
        f"sigma_pt = {result(found.sigma_pt)}.",
    )


def _evidence(study: RoundStudy, laboratory: Label) -> tuple[str, ...]:
    own = [one for one in study.analysis.levels if laboratory in one.every.laboratories]
    count = sum(int(one.every.count[one.every.laboratories.index(laboratory)]) for one in own)
    sentences = [
        f"{plural(count, 'result')} of this participant at {plural(len(own), 'level')}, beside those of "
        f"{len(study.data.laboratories) - 1} others, who appear under codes."
    ]
    for one in own:
        flags = [
            step.result.test.value
            for step in one.log.steps
            if laboratory in step.result.laboratories and step.result.decision.value == "statistical outlier"
        ]
        if flags:
            tests = enumerated(list(dict.fromkeys(flags)))
            sentences.append(f"Level {one.level}: called a statistical outlier by the test of {tests}.")
        elif laboratory in one.log.stragglers:
            sentences.append(f"Level {one.level}: called a straggler.")
    if laboratory in study.data.without_rows:
        sentences.append("This participant gave cells, so single results are not shown.")
    if study.drifts:
        handled = "is taken out of the results" if study.drift_taken_out else "is left in the results"
        sentences.append(
            f"The wear of the travelling sets {handled}, and its uncertainty counts in the scores."
        )
    return tuple(sentences)
