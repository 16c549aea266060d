"""Data sets across laboratories and across months: a round robin, and the reference history with its events.

In: the invented laboratory.  Out: DemoSets.
"""

import datetime
from collections.abc import Iterator

import pandas as pd
from demo_files import DemoSet, delimited
from invented_lab import across_sections, generator, run_results, set_effects, true_sections

# --- round robin: the characteristic friction of four materials, level and scatter by material ---
MATERIAL_LEVEL = {"A": 0.332, "B": 0.381, "C": 0.418, "D": 0.467}
RELATIVE_REPEATABILITY = 0.018
RELATIVE_BETWEEN = 0.016
RELATIVE_WEAR_PER_RUN = -0.0014
LABORATORIES = tuple(f"L{number:02d}" for number in range(1, 9))
PILOT, HIGH, RAGGED = "L01", "L05", "L07"
HIGH_BIAS = 0.034
RAGGED_FACTOR = 3.5
STRAGGLER = {"laboratory": "L03", "material": "B", "run": 2, "added_to_mu": 0.020}
MISSING_CELL = {"laboratory": RAGGED, "material": "B"}
# Legs of the trip in order: laboratory, purpose, runs.
TRIP = (
    *((laboratory, "round robin", 3) for laboratory in LABORATORIES[:4]),
    (PILOT, "return", 2),
    *((laboratory, "round robin", 3) for laboratory in LABORATORIES[4:]),
    (PILOT, "return", 2),
)

# --- reference history ---
HISTORY_SECTIONS = ("characteristic", "pressure sensitivity", "fade 1", "recovery")
HISTORY_RIGS = ("R1", "R2", "R3", "R4")
FIRST_MONTH, MONTHS, RUNS_PER_VISIT = (2023, 7), 30, 3
OLD_LOT, NEW_LOT = "RL-07", "RL-08"
OLD_LOT_LAST, NEW_LOT_FIRST = "2024-10", "2024-08"
NEW_LOT_STEP = dict.fromkeys(HISTORY_SECTIONS, 0.009)
HISTORY_RIG_SD = dict.fromkeys(HISTORY_SECTIONS, 0.007)
HISTORY_COMMON_SD = dict.fromkeys(HISTORY_SECTIONS, 0.0015)
HISTORY_DRIFT_SD = dict.fromkeys(HISTORY_SECTIONS, 0.0025)
MOVED, MOVED_FIRST_VISIT, MOVED_STEP = "R4", "2025-03", -0.014
DRIFTING, DRIFT_FIRST_VISIT, DRIFT_PER_MONTH = "R3", "2025-05", -0.0018
SKIPPED_VISIT = ("R1", "2024-12")
SHORT_VISIT = ("R2", "2025-07")
WILD_RUN = {"rig": "R2", "visit": "2023-11", "run": 2, "added_to_mu": 0.030}
EVENTS = (
    ("2024-05-21", "R1", "recalibration", "torque and pressure channels recalibrated; nothing adjusted"),
    ("2024-08-05", "all", "reference lot", "RL-08 comes into use beside RL-07"),
    ("2024-10-31", "all", "reference lot", "RL-07 used up; RL-08 only from now on"),
    ("2024-12-04", "R1", "repair", "hydraulic pump failed; December visit not run"),
    ("2025-02-17", "R4", "relocation", "moved to hall B"),
    ("2025-04-22", "R3", "repair", "torque cell exchanged after overload"),
    ("2025-09-15", "R2", "maintenance", "cooling-air filter changed"),
)


def _travel_rows() -> Iterator[dict[str, object]]:
    """One row per run of the trip; a set grows older by one run each time, wherever it is."""
    rng = generator(1704)
    bias = {lab: across_sections(rng, {m: RELATIVE_BETWEEN * v for m, v in MATERIAL_LEVEL.items()})
            for lab in LABORATORIES}  # fmt: skip
    start, age = datetime.date(2025, 8, 24), 0
    for leg, (lab, purpose, runs) in enumerate(TRIP, start=1):
        for run in range(1, runs + 1):
            age += 1
            for position, (material, level) in enumerate(MATERIAL_LEVEL.items()):
                sd = RELATIVE_REPEATABILITY * level * (RAGGED_FACTOR if lab == RAGGED else 1.0)
                mu = level * (1 + RELATIVE_WEAR_PER_RUN * (age - 1)) + bias[lab][material]
                mu += (HIGH_BIAS if lab == HIGH else 0.0) + sd * rng.standard_normal()
                yield {
                    "laboratory": lab, "material": material, "pad_set": f"{material}1", "leg": leg,
                    "purpose": purpose, "run": run, "run_order": age,
                    "date": (start + datetime.timedelta(days=7 * leg + run + position // 3)).isoformat(),
                    "mu": mu,
                }  # fmt: skip


def round_robin() -> DemoSet:
    """Eight laboratories, four materials, three runs each; one set per material travels and wears."""
    frame = pd.DataFrame(_travel_rows())
    straggler = (frame["laboratory"] == STRAGGLER["laboratory"]) & (
        frame["material"] == STRAGGLER["material"]
    )
    frame.loc[straggler & (frame["run"] == STRAGGLER["run"]), "mu"] += STRAGGLER["added_to_mu"]
    gone = (frame["laboratory"] == MISSING_CELL["laboratory"]) & (
        frame["material"] == MISSING_CELL["material"]
    )
    frame = frame[~gone].sort_values(["leg", "material", "run"]).reset_index(drop=True)
    truth = {
        "layout": "8 laboratories x 4 materials x 3 runs; one pad set per material travels from L01 to L08 "
        "and is back at the pilot laboratory L01 for two return runs after L04 and after L08",
        "level_of_the_new_set": MATERIAL_LEVEL,
        "s_r": {m: round(RELATIVE_REPEATABILITY * v, 6) for m, v in MATERIAL_LEVEL.items()},
        "s_L": {m: round(RELATIVE_BETWEEN * v, 6) for m, v in MATERIAL_LEVEL.items()},
        "wear_per_run": {m: round(RELATIVE_WEAR_PER_RUN * v, 6) for m, v in MATERIAL_LEVEL.items()},
        "messy": [
            {"what": "reads high", "laboratory": HIGH, "added_to_mu": HIGH_BIAS},
            {"what": "ragged", "laboratory": RAGGED, "factor_on_s_r": RAGGED_FACTOR},
            {"what": "straggler", **STRAGGLER,
             "note": "Cochran's statistic of material B lies between its 5 % and 1 % critical values"},
            {"what": "missing cell", **MISSING_CELL, "reason": "results lost; the set ran there and wore"},
            {"what": "return runs", "laboratory": PILOT, "rows_with": {"purpose": "return"}},
        ],
    }  # fmt: skip
    return DemoSet(
        name="round_robin", files={"round_robin.csv": delimited(frame, {"mu": ".4f"})}, truth=truth
    )


def _months() -> list[str]:
    first = FIRST_MONTH[0] * 12 + FIRST_MONTH[1] - 1
    return [f"{month // 12}-{month % 12 + 1:02d}" for month in range(first, first + MONTHS)]


def _lots_at(visit: str) -> list[str]:
    return [OLD_LOT] * (visit <= OLD_LOT_LAST) + [NEW_LOT] * (visit >= NEW_LOT_FIRST)


def _rig_history(rig: str, visit: str, months: list[str]) -> float:
    """What the move of R4 and the drift of R3 add to every section at this visit."""
    if rig == MOVED and visit >= MOVED_FIRST_VISIT:
        return MOVED_STEP
    if rig == DRIFTING and visit >= DRIFT_FIRST_VISIT:
        return DRIFT_PER_MONTH * (months.index(visit) - months.index(DRIFT_FIRST_VISIT) + 1)
    return 0.0


def _history_rows() -> Iterator[dict[str, object]]:
    rng = generator(10)
    rigs = {rig: across_sections(rng, HISTORY_RIG_SD) for rig in HISTORY_RIGS}
    months, numbers = _months(), dict.fromkeys((OLD_LOT, NEW_LOT), 0)
    for visit in months:
        common = across_sections(rng, HISTORY_COMMON_SD)
        for position, rig in enumerate(HISTORY_RIGS):
            drift = across_sections(rng, HISTORY_DRIFT_SD)
            history = dict.fromkeys(HISTORY_SECTIONS, _rig_history(rig, visit, months))
            for lot in _lots_at(visit):
                step = NEW_LOT_STEP if lot == NEW_LOT else {}
                for run in range(1, RUNS_PER_VISIT + 1):
                    numbers[lot] += 1
                    effects = [rigs[rig], common, drift, history, step, set_effects(rng, HISTORY_SECTIONS)]
                    results = run_results(rng, effects, HISTORY_SECTIONS)
                    for name in HISTORY_SECTIONS:
                        yield {
                            "date": f"{visit}-{5 + 2 * position + run:02d}", "visit": visit, "rig": rig,
                            "reference_lot": lot, "pad_set": f"{lot}-{numbers[lot]:03d}", "run": run,
                            "section": name, "mu": results[name],
                        }  # fmt: skip


def reference_history() -> DemoSet:
    """Thirty months of reference-lot visits on four rigs, three fresh sets a visit, and the events."""
    frame = pd.DataFrame(_history_rows())
    at = {"rig": frame["rig"], "visit": frame["visit"]}
    skipped = (at["rig"] == SKIPPED_VISIT[0]) & (at["visit"] == SKIPPED_VISIT[1])
    short = (at["rig"] == SHORT_VISIT[0]) & (at["visit"] == SHORT_VISIT[1]) & (frame["run"] == RUNS_PER_VISIT)
    wild = (
        (at["rig"] == WILD_RUN["rig"])
        & (at["visit"] == WILD_RUN["visit"])
        & (frame["run"] == WILD_RUN["run"])
    )
    frame.loc[wild, "mu"] += WILD_RUN["added_to_mu"]
    frame = frame[~(skipped | short)].reset_index(drop=True)
    events = pd.DataFrame(EVENTS, columns=["date", "rig", "kind", "event"])
    files = {
        "reference_history.csv": delimited(frame, {"mu": ".4f"}, separator=";", decimal=","),
        "reference_events.csv": delimited(events, {}, separator=";"),
    }
    return DemoSet(name="reference_history", files=files, truth=_history_truth())


def _history_truth() -> dict[str, object]:
    return {
        "layout": "30 monthly visits x 4 rigs x 3 fresh sets of the reference lot; both lots run in the "
        f"overlap from {NEW_LOT_FIRST} to {OLD_LOT_LAST}",
        "sections": true_sections(HISTORY_SECTIONS),
        "sd": {"rig": HISTORY_RIG_SD, "visit, common to all rigs": HISTORY_COMMON_SD,
               "rig x visit (ordinary drift)": HISTORY_DRIFT_SD},
        "new_lot_minus_old": NEW_LOT_STEP,
        "relocation": {"rig": MOVED, "first_visit_after": MOVED_FIRST_VISIT,
                       "step_in_every_section": MOVED_STEP},
        "drift": {"rig": DRIFTING, "first_visit": DRIFT_FIRST_VISIT,
                  "per_month_in_every_section": DRIFT_PER_MONTH,
                  "cause": "torque cell exchanged on 2025-04-22"},
        "messy": [
            {"what": "visit not run", "rig": SKIPPED_VISIT[0], "visit": SKIPPED_VISIT[1]},
            {"what": "two runs only", "rig": SHORT_VISIT[0], "visit": SHORT_VISIT[1]},
            {"what": "wild run in the base period", **WILD_RUN, "reason": "wrong pressure ramp"},
        ],
    }  # fmt: skip
