"""Data sets for two changes: a rig that was moved, and a pad lot that follows another.

In: the invented laboratory.  Out: DemoSets.
"""

import datetime

import pandas as pd
from demo_files import DemoSet, delimited, file_rows
from invented_lab import (
    SECTIONS,
    across_sections,
    generator,
    rounded,
    run_effects,
    run_results,
    set_effects,
    stop_rows,
    true_sections,
)

MOVE_SECTIONS = ("characteristic", "cold", "fade 1", "recovery")
MOVE_RIGS = ("R1", "R2", "R3")
MOVED_RIG = "R2"
MOVE_SHIFT = {"fade 1": -0.045}
MOVE_VISITS = {
    "2025-09": "2025-09-08",
    "2025-10": "2025-10-06",
    "2025-11": "2025-11-10",
    "2025-12": "2025-12-08",
    "2026-02a": "2026-02-09",
    "2026-02b": "2026-02-23",
}
MOVE_FIRST_AFTER = 4
MOVE_SETS_PER_VISIT = 3
RIG_LEVEL_SD = dict.fromkeys(MOVE_SECTIONS, 0.008)
ORDINARY_DRIFT_SD = dict.fromkeys(MOVE_SECTIONS, 0.0025)
COMMON_VISIT_SD = dict.fromkeys(MOVE_SECTIONS, 0.003)
# A new disc batch came into use with the first visit after the move, on all rigs alike.
COMMON_STEP_AFTER = 0.006

LOT_SECTIONS = ("characteristic", "cold", "fade 1", "recovery")
LOT_SETS = {"P2511": 5, "P2601": 5, "P2605": 3}
LOT_DIFFERENCE = {"P2511": {}, "P2601": {"fade 1": -0.035}, "P2605": {}}
LOT_RIGS = ("R1", "R3")
LOT_RIG_OFFSET = {"R1": 0.0, "R3": 0.006}
SECOND_RUN_CHANGE = {"characteristic": -0.003, "cold": -0.003, "fade 1": -0.008, "recovery": -0.003}
# (run, section, first stop that is missing, last stop that is missing)
LOT_LOST_STOPS = ((6107, "fade 1", 13, 15), (6112, "recovery", 7, 7), (6120, "characteristic", 2, 2))


def relocation() -> DemoSet:
    """R2 was moved in January 2026; R1 and R3 stayed. One reference lot, fresh sets at every visit."""
    rng = generator(254)
    rigs = {rig: across_sections(rng, RIG_LEVEL_SD) for rig in MOVE_RIGS}
    rows, number = [], 0
    for visit, (label, first_day) in enumerate(MOVE_VISITS.items()):
        after = visit >= MOVE_FIRST_AFTER
        common = across_sections(rng, COMMON_VISIT_SD)
        for rig in MOVE_RIGS:
            drift = across_sections(rng, ORDINARY_DRIFT_SD)
            step = dict.fromkeys(MOVE_SECTIONS, COMMON_STEP_AFTER if after else 0.0)
            shift = MOVE_SHIFT if after and rig == MOVED_RIG else {}
            for turn in range(MOVE_SETS_PER_VISIT):
                number += 1
                effects = [rigs[rig], common, drift, step, shift, set_effects(rng, MOVE_SECTIONS)]
                results = run_results(rng, effects, MOVE_SECTIONS)
                day = datetime.date.fromisoformat(first_day) + datetime.timedelta(days=turn)
                for name in MOVE_SECTIONS:
                    rows.append({
                        "date": day.isoformat(), "phase": "after" if after else "before", "visit": label,
                        "rig": rig, "pad_lot": "RL-08",
                        "pad_set": f"RL08-{200 + number}", "disc_batch": "D15" if after else "D14",
                        "section": name, "mu": results[name],
                    })  # fmt: skip
    frame = pd.DataFrame(rows)
    lost = (frame["visit"] == "2025-11") & (frame["rig"] == "R3") & (frame["pad_set"] == "RL08-227")
    no_cold = (frame["visit"] == "2026-02a") & (frame["pad_set"] == "RL08-240") & (frame["section"] == "cold")
    frame = frame[~(lost | no_cold)].reset_index(drop=True)
    truth = {
        "layout": "3 rigs x 6 visits x 3 fresh sets of one reference lot; R2 moved between the 4th "
        "and the 5th visit",
        "sections": true_sections(MOVE_SECTIONS),
        "shift_of_R2_by_the_move": {name: MOVE_SHIFT.get(name, 0.0) for name in MOVE_SECTIONS},
        "ratio_of_repeatabilities_after_to_before": 1.0,
        "sd": {"rig": RIG_LEVEL_SD, "visit, common to all rigs": COMMON_VISIT_SD,
               "rig x visit (ordinary drift)": ORDINARY_DRIFT_SD},
        "step_common_to_all_rigs": COMMON_STEP_AFTER,
        "realised": {"rig": rounded(rigs)},
        "right_answer_at_margin_5_percent": {
            "characteristic": "no shift", "cold": "no shift", "recovery": "no shift",
            "fade 1": "shifted by 13 % of the level, well beyond the margin", "overall": "hold",
        },
        "messy": [
            {"what": "missing run", "pad_set": "RL08-227", "rig": "R3", "visit": "2025-11"},
            {"what": "missing section", "pad_set": "RL08-240", "section": "cold", "visit": "2026-02a"},
            {"what": "common step", "where": "disc_batch D15, every rig after the move",
             "added_to_mu": COMMON_STEP_AFTER},
        ],
    }  # fmt: skip
    return DemoSet(name="relocation", files={"relocation.csv": delimited(frame, {"mu": ".4f"})}, truth=truth)


def _lot_plan() -> list[dict[str, object]]:
    """Runs in order of time: on every rig the lots take turns, and the first set of each lot runs twice."""
    plan = []
    for turn in range(max(LOT_SETS.values())):
        for lot, sets in LOT_SETS.items():
            for position, rig in enumerate(LOT_RIGS):
                if turn < sets:
                    plan.append(
                        {"rig": rig, "lot": lot, "set": f"S{5 * position + turn + 1:02d}", "run_of_set": 1}
                    )
    again = [{**entry, "run_of_set": 2} for entry in plan if entry["set"] in ("S01", "S06")]
    return plan + again


def lot_comparison() -> DemoSet:
    """An old, a new and a third pad lot on two rigs; set labels repeat in every lot; stops below runs."""
    rng = generator(218)
    effects_of_set: dict[tuple[object, object], dict[str, float]] = {}
    start, rows = datetime.date(2026, 2, 2), []
    for number, entry in enumerate(_lot_plan()):
        key = (entry["lot"], entry["set"])
        if key not in effects_of_set:
            effects_of_set[key] = set_effects(rng, LOT_SECTIONS)
        runs = run_effects(rng, LOT_SECTIONS)
        for name in LOT_SECTIONS:
            effect = effects_of_set[key][name] + runs[name] + LOT_RIG_OFFSET[str(entry["rig"])]
            effect += LOT_DIFFERENCE[str(entry["lot"])].get(name, 0.0)
            effect += SECOND_RUN_CHANGE[name] if entry["run_of_set"] == 2 else 0.0
            for stop in stop_rows(rng, SECTIONS[name], effect):
                rows.append({
                    "date": (start + datetime.timedelta(days=number // 2)).isoformat(), "rig": entry["rig"],
                    "lot": entry["lot"], "pad_set": entry["set"], "run": 6101 + number,
                    "run_of_set": entry["run_of_set"], "section": name, "stop": stop["stop"],
                    "start_temp_C": stop["start_temp_C"], "mu": stop["mu"],
                })  # fmt: skip
    frame = pd.DataFrame(rows)
    lost = pd.Series(False, index=frame.index)
    for run, section, first, last in LOT_LOST_STOPS:
        lost |= (frame["run"] == run) & (frame["section"] == section) & frame["stop"].between(first, last)
    frame = frame[~lost].reset_index(drop=True)
    content = delimited(frame, {"start_temp_C": ".1f", "mu": ".4f"}, separator="\t")
    return DemoSet(name="lot_comparison", files={"lot_comparison.csv": content}, truth=_lot_truth(frame))


def _lot_truth(frame: pd.DataFrame) -> dict[str, object]:
    second = file_rows(frame["run_of_set"] == 2)
    return {
        "layout": "3 lots x 2 rigs; pad sets nested in lot and rig although their labels repeat; 5, 5 and 3 "
        "sets per rig; one set per lot and rig ran twice; stops below runs",
        "sections": true_sections(LOT_SECTIONS),
        "difference_to_P2511": {
            lot: {name: LOT_DIFFERENCE[lot].get(name, 0.0) for name in LOT_SECTIONS} for lot in LOT_SETS
        },
        "rig_offset": LOT_RIG_OFFSET,
        "change_of_second_run": SECOND_RUN_CHANGE,
        "right_answer_at_margin_5_percent": {
            "P2601": {"fade 1": "different, beyond the margin", "others": "no difference",
                      "overall": "different"},
            "P2605": "no difference in any section; six sets may not be enough to say so for cold and fade",
        },
        "messy": [
            {"what": "second runs of worn sets", "rows": [second[0], second[-1]]},
            {"what": "missing stops", "where": [
                {"run": run, "section": section, "stops": [first, last]}
                for run, section, first, last in LOT_LOST_STOPS],
             "note": "without the hot end of fade the mean of run 6107 reads too high"},
            {"what": "set labels repeat in every lot"},
        ],
    }  # fmt: skip
