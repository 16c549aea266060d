"""Tables of R&R against total variation and tolerance, and of the measurement process after ISO 22514-7.

In: judged sections.  Out: tables as data.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from repeatab.jobs.gauge.scale import Scale, number_column, text_column
from repeatab.jobs.gauge.sections import GaugedSection
from repeatab.jobs.questions import GaugeStudy
from repeatab.judgement.capability import Share
from repeatab.judgement.measures import ENOUGH_CATEGORIES, categories_of_ratio, distinct_categories
from repeatab.outcome.tables import ColumnKind, Table, Value


def ratios_table(sections: Sequence[GaugedSection], question: GaugeStudy) -> Table:
    """R&R against total and tolerance, categories, intraclass correlation, verdict."""
    rows = [_ratios(section) for section in sections]
    c = f"{question.confidence:.0%}"
    percent = ColumnKind.PERCENT
    return Table(
        key="ratios",
        caption="R&R against the total variation and the tolerance",
        columns=(
            text_column("section", "section"),
            text_column("role", "role"),
            number_column("of_total", "R&R of total", percent),
            number_column("of_total_lower", f"lower, {c}", percent),
            number_column("of_total_upper", f"upper, {c}", percent),
            number_column("of_tolerance", f"{question.multiplier:g} R&R of tolerance", percent),
            number_column("of_tolerance_lower", f"lower, {c}", percent),
            number_column("of_tolerance_upper", f"upper, {c}", percent),
            number_column("categories", "distinct categories", ColumnKind.COUNT),
            number_column("categories_lower", "at least", ColumnKind.COUNT),
            number_column("agreement", "intraclass correlation", ColumnKind.RATIO),
            number_column("agreement_lower", f"lower, {c}", ColumnKind.RATIO),
            number_column("agreement_upper", f"upper, {c}", ColumnKind.RATIO),
            number_column("consistency", "same, rig and operator offsets aside", ColumnKind.RATIO),
            text_column("alone", "by the estimate alone"),
            text_column("verdict", "verdict"),
        ),
        rows=tuple(rows),
        remarks=(
            f"Bands: up to {question.bands.acceptable:g} % acceptable, up to {question.bands.conditional:g} % "
            "conditional. Acceptable and conditional need the upper limit in the band; not acceptable goes by the "
            "estimate.",
            f"Distinct categories: 1.41 PV / R&R, truncated; {ENOUGH_CATEGORIES} or more are wanted. 'At least' goes "
            "with the upper limit of R&R.",
        ),
    )


def _ratios(section: GaugedSection) -> tuple[Value, ...]:
    role = "decides" if section.asked.decides else "informs"
    found = section.capability
    if found is None or section.acceptance is None:
        return (section.name, role, *[None] * 12, "", section.verdict.value)
    total = found.total_percent
    categories: tuple[Value, Value] = (None, None)
    if found.parts is not None and not found.upper_bound and total is not None and total.interval is not None:
        least = categories_of_ratio(total.interval.upper)
        categories = (distinct_categories(found.parts.sd, found.grr.sd), max(1, math.floor(least)))
    return (
        section.name, role, *_share(total), *_share(section.tolerance_percent), *categories,
        *_share(found.agreement), None if found.consistency is None else found.consistency.value,
        section.acceptance.estimate_alone.value, section.acceptance.verdict.value,
    )  # fmt: skip


def process_table(sections: Sequence[GaugedSection], question: GaugeStudy, scale: Scale) -> Table | None:
    """Standard uncertainties and ratios of ISO 22514-7; None where no section has a tolerance."""
    rows: list[tuple[Value, ...]] = []
    for section in sections:
        found, parts = section.process, section.parts
        if found is None or parts is None:
            continue
        rows.append(
            (section.name, *map(scale.shown, (parts.u_resolution, parts.calibration, parts.u_bias,
             parts.reference_repeatability, parts.object_repeatability, parts.rig, parts.operator,
             parts.interaction, parts.drift, found.u_ms, found.u_mp)),
             found.q_ms, found.c_ms, found.q_mp, found.c_mp)
        )  # fmt: skip
    if not rows:
        return None
    captions = {
        "u_re": "resolution", "u_cal": "calibration", "u_bi": "bias", "u_evr": "repeatability on a reference",
        "u_evo": "repeatability on pad sets", "u_gv": "rig", "u_av": "operator", "u_ia": "interaction",
        "u_stab": "drift", "u_ms": "measuring system u_MS", "u_mp": "measurement process u_MP",
    }  # fmt: skip
    remarks = ["The largest of repeatability on the reference, on the sets and resolution enters u_MP once."]
    if question.process.reference_repeatability is None:
        remarks.append(
            "No repeated readings of a reference were stated; the repeatability of the study stands in for them."
        )
    return Table(
        key="process",
        caption="Measurement process after ISO 22514-7: standard uncertainties and ratios to the tolerance",
        columns=(
            text_column("section", "section"),
            *(scale.column(key, caption) for key, caption in captions.items()),
            number_column("q_ms", f"Q_MS (limit {question.bands.system:g})", ColumnKind.PERCENT),
            number_column("c_ms", "C_MS", ColumnKind.RATIO),
            number_column("q_mp", f"Q_MP (limit {question.bands.process:g})", ColumnKind.PERCENT),
            number_column("c_mp", "C_MP", ColumnKind.RATIO),
        ),
        rows=tuple(rows),
        remarks=tuple(remarks),
    )


def _share(share: Share | None) -> tuple[Value, Value, Value]:
    if share is None:
        return None, None, None
    if share.interval is None:
        return share.value, None, None
    return share.value, share.interval.lower, share.interval.upper
