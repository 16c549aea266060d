"""The key figures of a round robin by stable name, for programs.

In: RoundStudy.  Out: names with numbers.
"""

from __future__ import annotations

from repeatab.jobs.rounds.study import RoundStudy


def numbers(study: RoundStudy) -> tuple[tuple[str, float | None], ...]:
    """Key figures by name for programs."""
    found: list[tuple[str, float | None]] = []
    for one in study.analysis.levels:
        for name in ("mean", "s_r", "s_L", "s_R"):
            found.append((f"{one.level}: {name}", getattr(one.precision, name, None)))
        if one.log.set_aside:
            for name in ("s_r", "s_L", "s_R"):
                found.append((f"{one.level}: {name} with exclusion", getattr(one.excluded, name, None)))
    for level, drift in study.drifts.items():
        found.append((f"{level}: drift per run", None if drift.drift is None else drift.drift.slope))
    if study.scores is not None:
        found += [(f"{one.level}: assigned value", one.assigned.value) for one in study.scores.assigned]
        found += [(f"{s.laboratory}, {s.level}: score", s.judged) for s in study.scores.scores]
    return tuple(found)
