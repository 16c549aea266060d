"""The gauge study: how much of the scatter is the measurement, and how much the pad sets?

In: run results and a GaugeStudy question.  Out: an Outcome.
Rigs, operators, pad lots and pad sets are random: the study speaks of rigs and sets like these.
"""

from __future__ import annotations

from collections.abc import Sequence

from repeatab.base.errors import LayoutError
from repeatab.base.progress import Progress, silent
from repeatab.intake.results import Results
from repeatab.jobs.gauge import notes as gauge_notes
from repeatab.jobs.gauge import words
from repeatab.jobs.gauge.checks import GaugeChecks, gauge_checks
from repeatab.jobs.gauge.data import ORDER, GaugeData, gauge_data
from repeatab.jobs.gauge.figures import gauge_figures
from repeatab.jobs.gauge.fit import SectionFit, fit_sections, gauge_model, section_capabilities
from repeatab.jobs.gauge.next import gauge_next_runs
from repeatab.jobs.gauge.scale import Scale
from repeatab.jobs.gauge.sections import GaugedSection, gauge_section
from repeatab.jobs.gauge.tables import gauge_tables
from repeatab.jobs.questions import GaugeStudy
from repeatab.jobs.wording import enumerated
from repeatab.judgement.acceptance import overall
from repeatab.outcome.outcome import Outcome, Provenance
from repeatab.outcome.verdict import Judgement, Qualifier, Verdict

_STEPS = 4


def run_gauge_study(
    question: GaugeStudy,
    results: Results,
    *,
    title: str = "Gauge study",
    progress: Progress = silent,
) -> Outcome:
    """Split the scatter of run results into measurement and pad sets, and judge it.

    Parameters
    ----------
    results : run results, one row per run and section, with a column for the pad set and at least one of rig and
        operator, or repeated runs.

    Raises
    ------
    StudyError, InputError
        A section or covariate of the question is not in the results, no pad set is recorded, or the rows are
        stops.
    LayoutError
        No section can be analysed; the message gives the reason of the first.
    """
    data = gauge_data(question, results)
    wear = (ORDER,) if question.remove_wear and data.has_order else ()
    progress("fitting", 0, _STEPS)
    fits = fit_sections(data, gauge_model(data, (*question.covariates, *wear)), level=question.confidence)
    _refuse_nothing(fits, data)
    progress("intervals", 1, _STEPS)
    capabilities = section_capabilities(fits, seed=question.seed)
    progress("checking", 2, _STEPS)
    checks = gauge_checks(data, fits, covariates=question.covariates, level=question.confidence)
    sections = tuple(
        gauge_section(asked, question, data, fits[asked.name], capabilities.get(asked.name), checks)
        for asked in question.sections
    )
    progress("what to run next", 3, _STEPS)
    return _outcome(question, results, data, fits, checks, sections, title)


def _refuse_nothing(fits: dict[str, SectionFit], data: GaugeData) -> None:
    if all(fit.part is None for fit in fits.values()):
        first = data.sections[0]
        raise LayoutError(f"no section can be analysed. {first}: {fits[first].trouble}")


def _outcome(
    question: GaugeStudy,
    results: Results,
    data: GaugeData,
    fits: dict[str, SectionFit],
    checks: GaugeChecks,
    sections: tuple[GaugedSection, ...],
    title: str,
) -> Outcome:
    scale = Scale(analysis=question.analysis, quantity=results.quantity)
    judgements = tuple(_judgement(section, results) for section in sections)
    return Outcome(
        job="gauge_study",
        title=title,
        headline=_headline(sections, judgements, results),
        judgements=judgements,
        evidence=words.evidence(sections, question, data, checks, scale),
        next_runs=None if results.blocks else gauge_next_runs(sections, question, data),
        cannot_tell=words.cannot_tell(sections, data, fits, checks),
        tables=gauge_tables(sections, question, fits, checks, scale),
        figures=gauge_figures(sections, question, data, checks, scale),
        notes=gauge_notes.notes(sections, question, data, fits, checks),
        findings=results.findings,
        methods=gauge_notes.methods(sections, question, data, checks),
        numbers=_numbers(sections),
        provenance=Provenance(inputs=results.inputs, seed=question.seed),
    )


def _judgement(section: GaugedSection, results: Results) -> Judgement:
    decides = section.asked.decides
    if section.acceptance is None:
        return Judgement(
            subject=section.name, verdict=Verdict.UNDECIDED, reason=section.trouble, decides=decides
        )
    found = section.acceptance
    if results.blocks:
        reason = f"{found.reason} There is no verdict, since the data are in doubt: {results.blocks[0].text}"
        return Judgement(subject=section.name, verdict=Verdict.UNDECIDED, reason=reason, decides=decides)
    return Judgement(
        subject=section.name, verdict=found.verdict, reason=found.reason, qualifier=found.qualifier,
        decides=decides,
    )  # fmt: skip


def _headline(
    sections: Sequence[GaugedSection], judgements: Sequence[Judgement], results: Results
) -> Judgement:
    subject = "measurement of " + results.quantity.name
    deciding = [judgement for judgement in judgements if judgement.decides]
    if not deciding:
        return Judgement(
            subject=subject, verdict=Verdict.DESCRIBED, reason="No section decides; all of them only inform."
        )
    if results.blocks:
        return Judgement(subject=subject, verdict=Verdict.UNDECIDED, reason=results.blocks[0].text)
    verdict = overall([judgement.verdict for judgement in deciding])
    same = [judgement for judgement in deciding if judgement.verdict is verdict]
    names = enumerated([judgement.subject for judgement in same])
    lead = ""
    if len(deciding) > 1:
        lead = (
            f"This holds for all {len(deciding)} deciding sections. "
            if len(same) == len(deciding)
            else f"Decided by {names} ({len(same)} of {len(deciding)} deciding sections). "
        )
    worst = max(same, key=lambda judgement: _size(sections, judgement.subject))
    qualifier = worst.qualifier if len({judgement.qualifier for judgement in same}) == 1 else Qualifier.NONE
    return Judgement(
        subject=subject,
        verdict=verdict,
        reason=f"{lead}{worst.subject}: {worst.reason}",
        qualifier=qualifier,
    )


def _size(sections: Sequence[GaugedSection], name: str) -> float:
    """How large R&R is in what the verdict rests on; a section without a ratio counts as largest."""
    section = next(section for section in sections if section.name == name)
    share = section.tolerance_percent
    if share is None and section.capability is not None:
        share = section.capability.total_percent
    return float("inf") if share is None else share.value


def _numbers(sections: Sequence[GaugedSection]) -> tuple[tuple[str, float | None], ...]:
    found: list[tuple[str, float | None]] = []
    for section in sections:
        capability = section.capability
        if capability is None:
            continue
        scatters = {
            "repeatability_sd": capability.repeatability, "reproducibility_sd": capability.reproducibility,
            "interaction_sd": capability.interaction, "grr_sd": capability.grr, "pad_set_sd": capability.parts,
            "total_sd": capability.total,
        }  # fmt: skip
        shares = {
            "grr_percent_of_total": capability.total_percent,
            "grr_percent_of_tolerance": section.tolerance_percent,
            "intraclass_agreement": capability.agreement,
            "intraclass_consistency": capability.consistency,
        }
        for key, scatter in scatters.items():
            found += _with_limits(f"{section.name}: {key}", None if scatter is None else scatter.sd, scatter)
        for key, share in shares.items():
            found += _with_limits(f"{section.name}: {key}", None if share is None else share.value, share)
        if section.process is not None:
            for key in ("u_ms", "u_mp", "q_ms", "c_ms", "q_mp", "c_mp"):
                found.append((f"{section.name}: {key}", _finite(getattr(section.process, key))))
    return tuple(found)


def _with_limits(key: str, value: float | None, of: object) -> list[tuple[str, float | None]]:
    interval = getattr(of, "interval", None)
    low, high = (None, None) if interval is None else (_finite(interval.lower), _finite(interval.upper))
    return [(key, value), (f"{key}_lower", low), (f"{key}_upper", high)]


def _finite(value: float) -> float | None:
    return value if abs(value) != float("inf") else None
