"""Tables of a round robin beside the precision: sources of scatter, wear, lot, assigned values and scores.

In: RoundStudy.  Out: tables as data; None where there is nothing to show.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from repeatab.jobs.rounds.data import Label
from repeatab.jobs.rounds.scores import Score
from repeatab.jobs.rounds.study import RoundStudy
from repeatab.jobs.rounds.tables import COUNT, NUMBER, RATIO, RESULT, TEXT, P, columns
from repeatab.outcome.tables import Table, Value


def components_table(study: RoundStudy) -> Table | None:
    """Sources of scatter by level, joint where the design cannot part them, beside the standard's own estimates."""
    rows: list[tuple[Value, ...]] = []
    for one in study.components:
        rows += [(str(one.level), s.name, s.sd, s.lower, s.upper, one.method) for s in one.sources]
        if one.staggered is not None:
            rows += [
                (str(one.level), c.factor, c.sd, None, None, "staggered nested design")
                for c in one.staggered.components
            ]
    if not rows:
        return None
    return Table(
        key="sources_of_scatter",
        caption="Where the scatter within and between laboratories comes from",
        columns=columns(
            study.quantity.unit,
            ("level", "level", TEXT), ("source", "source", TEXT), ("sd", "standard deviation", RESULT),
            ("lower", "from", RESULT), ("upper", "to", RESULT), ("method", "method", TEXT),
        ),
        rows=tuple(rows),
        remarks=("Sources named together are one number in this design.",),
    )  # fmt: skip


def intermediate_table(study: RoundStudy) -> Table | None:
    """Intermediate precision standard deviations by what changes within the laboratory."""
    rows = [(str(one.level), changing, sd) for one in study.components for changing, sd in one.intermediate()]
    if not rows:
        return None
    return Table(
        key="intermediate_precision",
        caption="Intermediate precision within a laboratory",
        columns=columns(
            study.quantity.unit,
            ("level", "level", TEXT), ("changing", "what changes from run to run", TEXT),
            ("sd", "standard deviation", RESULT),
        ),
        rows=tuple(rows),
        remarks=("Repeatability is part of every row.",),
    )  # fmt: skip


def drift_table(study: RoundStudy) -> Table | None:
    """The drift of the travelling sets by level."""
    rows: list[tuple[Value, ...]] = []
    for one in study.drifts.values():
        found = one.drift
        runs = sum(visit.runs for visit in one.visits)
        if found is None:
            rows.append((str(one.level), None, None, None, None, None, runs, one.trouble))
            continue
        reach = change_over_round(study, one.level)
        rows.append(
            (str(one.level), found.slope, found.interval.lower, found.interval.upper, found.p_value, reach, runs,
             "taken out" if study.drift_taken_out else "left in")
        )  # fmt: skip
    if not rows:
        return None
    return Table(
        key="drift",
        caption="Drift of the travelling sets, from the runs at the pilot laboratory",
        columns=columns(
            study.quantity.unit,
            ("level", "level", TEXT), ("slope", "change per run of the set", RESULT), ("lower", "from", RESULT),
            ("upper", "to", RESULT), ("p", "p", P), ("over_round", "change over the round", RESULT),
            ("runs", "runs at the pilot", COUNT), ("handled", "in the results", TEXT),
        ),
        rows=tuple(rows),
    )  # fmt: skip


def change_over_round(study: RoundStudy, level: Label) -> float | None:
    """What the drift adds from the first to the last laboratory."""
    found = study.drifts[level].drift
    places = [study.data.position(lab, level) for lab in study.data.laboratories]
    known = [place for place in places if place is not None]
    return None if found is None or not known else float(found.slope * np.ptp(known))


def lot_table(study: RoundStudy) -> Table | None:
    """The checks of the lot, each with what was found and the limits it was held against."""
    rows: list[tuple[Value, ...]] = []
    for check in study.lot:
        if check.homogeneity is not None:
            h = check.homogeneity
            rows.append(
                (str(check.level), "homogeneity: s_s between sets", h.s_s, h.plain_limit, h.expanded_limit,
                 h.criterion.value)
            )  # fmt: skip
        if check.stability is not None:
            s = check.stability
            rows.append(
                (str(check.level), "stability: change of the mean", s.change, s.plain_limit, s.expanded_limit,
                 s.criterion.value)
            )  # fmt: skip
    if not rows:
        return None
    return Table(
        key="lot_checks",
        caption="Is the lot alike and stable enough?",
        columns=columns(
            study.quantity.unit,
            ("level", "level", TEXT), ("check", "check", TEXT), ("found", "found", RESULT),
            ("plain", "0.3 sigma_pt", RESULT), ("expanded", "expanded limit", RESULT),
            ("met", "criterion met", TEXT),
        ),
        rows=tuple(rows),
    )  # fmt: skip


def assigned_table(study: RoundStudy) -> Table | None:
    """Assigned values with their uncertainty and sigma_pt."""
    if study.scores is None:
        return None
    weighted = any(one.weighted is not None for one in study.scores.assigned)
    rows: list[tuple[Value, ...]] = []
    for one in study.scores.assigned:
        u = one.assigned.standard_uncertainty
        row = (str(one.level), one.assigned.value, u, one.sigma_pt, u / one.sigma_pt)
        between = (None if one.weighted is None else one.weighted.between_sd,)
        rows.append((*row, *(between if weighted else ())))
    last = (("between", "between laboratories", RESULT),) if weighted else ()
    basis = study.scores.assigned[0].assigned.basis.value
    return Table(
        key="assigned_values",
        caption="Assigned values and the standard deviation for proficiency assessment",
        columns=columns(
            study.quantity.unit,
            ("level", "level", TEXT), ("value", "assigned value", RESULT), ("u", "its standard uncertainty", RESULT),
            ("sigma_pt", "sigma_pt", RESULT), ("ratio", "u / sigma_pt", RATIO), *last,
        ),
        rows=tuple(rows),
        remarks=(
            f"Assigned value: {basis}. sigma_pt is the organiser's decision. Where the uncertainty is below "
            "0.3 sigma_pt it is negligible and z is judged, else z′.",
        ),
    )  # fmt: skip


def scores_table(
    study: RoundStudy,
    scores: Sequence[Score],
    naming: Callable[[Label], str],
    *,
    key: str = "scores",
    caption: str = "Scores",
) -> Table | None:
    """Scores of these laboratories under these names; zeta and E_n where a laboratory states an uncertainty."""
    if study.scores is None or not scores:
        return None
    stated = any(score.u_x is not None for score in study.scores.scores)
    rows: list[tuple[Value, ...]] = []
    for s in scores:
        difference = s.result - study.scores.at(s.level).assigned.value
        own = (s.zeta, s.e_n) if stated else ()
        judged = "z′" if s.uses_z_prime else "z"
        row = (naming(s.laboratory), str(s.level), s.result, difference, s.u_total, s.z, s.z_prime)
        rows.append((*row, *own, judged, s.signal.value))
    both = (("zeta", "zeta", NUMBER), ("e_n", "E_n", NUMBER)) if stated else ()
    remark = (
        "u: standard uncertainty of the assigned value, with that of the drift and of the sets where they count. Up to "
        "2 acceptable, above 2 warning signal, from 3 action signal."
    )
    tail = (
        " E_n below 1 is acceptable."
        if stated
        else " zeta and E_n need the laboratories' stated uncertainties."
    )
    return Table(
        key=key,
        caption=caption,
        columns=columns(
            study.quantity.unit,
            ("laboratory", "laboratory", TEXT), ("level", "level", TEXT), ("result", "result", RESULT),
            ("difference", "less assigned", RESULT), ("u", "u", RESULT), ("z", "z", NUMBER),
            ("z_prime", "z′", NUMBER), *both, ("judged", "judged", TEXT), ("signal", "signal", TEXT),
        ),
        rows=tuple(rows),
        remarks=(remark + tail,),
    )  # fmt: skip


def codes_table(study: RoundStudy) -> Table | None:
    """Who is who: for the organiser alone."""
    if not study.codes:
        return None
    rows = tuple((str(laboratory), code) for laboratory, code in study.codes.items())
    return Table(
        key="codes",
        caption="Codes of the participants: for the organiser only",
        columns=columns("", ("laboratory", "laboratory", TEXT), ("code", "code", TEXT)),
        rows=rows,
        remarks=("The pages under participants/ show these codes and no names; this report shows both.",),
    )
