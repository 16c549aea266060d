"""Data sets for comparing two rigs: sets split between the rigs, and sets that ran on both.

In: the invented laboratory.  Out: DemoSets.
"""

import datetime

import pandas as pd
from demo_files import DemoSet, delimited, file_rows
from invented_lab import (
    SECTIONS,
    generator,
    run_effects,
    run_results,
    set_effects,
    stop_rows,
    true_sections,
)

PROGRAMME = tuple(SECTIONS)

MONTHLY_LOT = "P2602"
MONTHLY_OFFSET = {"fade 1": 0.022, "recovery": 0.016}
MONTHLY_MISSING_SET = 15
MONTHLY_FAULTY_RUN = 4109
MONTHLY_FAULT = -0.035
# (run, section, stop): rows that the rig never stored.
MONTHLY_LOST_STOPS = (
    (4102, "bedding", 7),
    (4105, "characteristic", 3),
    (4110, "recovery", 18),
    (4114, "recovery", 11),
    (4114, "recovery", 12),
)  # fmt: skip

CROSSOVER_SECTIONS = ("characteristic", "pressure sensitivity", "fade 1", "recovery")
CROSSOVER_OFFSET = {"fade 1": 0.020, "recovery": 0.012}
CROSSOVER_WEAR = {
    "characteristic": -0.004,
    "pressure sensitivity": -0.004,
    "fade 1": -0.010,
    "recovery": -0.005,
}
CROSSOVER_SETS = 10


def _monthly_plan() -> list[dict[str, object]]:
    """Sets 1 to 16 of one lot, drawn to the rigs in pairs whose order alternates; 17 is the spare.

    Set 15 was never run; set 9 ran with a faulty thermocouple, and the spare took its place on the same rig.
    """
    plan: list[dict[str, object]] = []
    start = datetime.date(2026, 3, 2)
    for position in range(16):
        first_of_pair, pair = position % 2 == 0, position // 2
        on_r1 = first_of_pair if pair % 2 == 0 else not first_of_pair
        entry = {
            "test_date": start + datetime.timedelta(days=pair + 2 * (pair // 5)),
            "rig": "R1" if on_r1 else "R2",
            "operator": ("KM", "TB")[(pair // 2) % 2],
            "pad_set": f"{MONTHLY_LOT}-{position + 1:02d}",
            "number": position + 1,
        }
        if entry["number"] != MONTHLY_MISSING_SET:
            plan.append(entry)
    faulty = next(entry for entry in plan if entry["number"] == MONTHLY_FAULTY_RUN - 4100)
    spare = {**faulty, "test_date": datetime.date(2026, 3, 13), "pad_set": f"{MONTHLY_LOT}-17", "number": 17}
    return [*plan, spare]


def monthly_correlation() -> DemoSet:
    """The main demo: sets of one lot split between R1 and R2, each run once, every stop stored."""
    rng = generator(125)
    rows = []
    for order, entry in enumerate(_monthly_plan(), start=1):
        run = 4100 + order
        sets, runs = set_effects(rng, PROGRAMME), run_effects(rng, PROGRAMME)
        for name in PROGRAMME:
            offset = MONTHLY_OFFSET.get(name, 0.0) if entry["rig"] == "R2" else 0.0
            for stop in stop_rows(rng, SECTIONS[name], sets[name] + runs[name] + offset):
                rows.append({
                    "test_date": entry["test_date"].isoformat(), "rig": entry["rig"],
                    "operator": entry["operator"], "pad_lot": MONTHLY_LOT, "pad_set": entry["pad_set"],
                    "run": run, "run_order": order, "section": name, **stop,
                })  # fmt: skip
    frame = pd.DataFrame(rows)
    faulty = frame["run"] == MONTHLY_FAULTY_RUN
    frame.loc[faulty, "mu"] += MONTHLY_FAULT
    frame.loc[faulty, "start_temp_C"] += 25.0 * rng.standard_normal(int(faulty.sum()))
    lost = pd.MultiIndex.from_frame(frame[["run", "section", "stop"]]).isin(MONTHLY_LOST_STOPS)
    frame = frame[~lost].reset_index(drop=True)
    formats = {"pressure_bar": ".0f", "start_temp_C": ".1f", "mu": ".4f"}
    return DemoSet(
        name="monthly_correlation",
        files={"monthly_correlation.csv": delimited(frame, formats, separator=";", decimal=",")},
        truth=_monthly_truth(frame),
    )


def _monthly_truth(frame: pd.DataFrame) -> dict[str, object]:
    faulty = frame["run"] == MONTHLY_FAULTY_RUN
    fault_rows = file_rows(faulty)
    offsets = {name: MONTHLY_OFFSET.get(name, 0.0) for name in PROGRAMME}
    return {
        "layout": "sets of one lot split between two rigs, each set run once: 8 sets on R1, 7 on R2, and one "
        "faulty run on R1 that a spare set replaced; scatter between sets and repeatability are one number",
        "sections": true_sections(PROGRAMME),
        "offset_R2_minus_R1": offsets,
        "relative_offset": {name: round(value / SECTIONS[name].level, 4) for name, value in offsets.items()},
        "ratio_of_repeatabilities_R2_to_R1": 1.0,
        "right_answer_at_margin_5_percent": {
            "characteristic": "equivalent",
            "pressure sensitivity": "equivalent",
            "final characteristic": "equivalent",
            "fade 1": "different; truly 6.4 % and so beyond the margin, which few sets may leave open",
            "recovery": "different; truly 4.1 % and so inside the margin: 'and it matters' would be wrong",
            "cold": "no offset; one stop per run scatters too much to be sure of 'equivalent'",
            "bedding": "no offset; informs only",
            "overall": "different",
        },
        "messy": [
            {"what": "missing run", "pad_set": f"{MONTHLY_LOT}-{MONTHLY_MISSING_SET}", "rig": "R2",
             "reason": "rig down, the set was never run"},
            {"what": "run to exclude", "run": MONTHLY_FAULTY_RUN, "rows": [fault_rows[0], fault_rows[-1]],
             "reason": "thermocouple fault: start temperatures erratic, brake too hot",
             "added_to_mu": MONTHLY_FAULT},
            {"what": "missing stops", "where": [
                {"run": run, "section": section, "stop": stop} for run, section, stop in MONTHLY_LOST_STOPS]},
        ],
    }  # fmt: skip


def crossover_correlation() -> DemoSet:
    """Ten sets that ran on both rigs, half on R1 first and half on R2 first; the second run is worn."""
    rng = generator(2)
    start, rows = datetime.date(2026, 4, 7), []
    for number in range(1, CROSSOVER_SETS + 1):
        sets = set_effects(rng, CROSSOVER_SECTIONS)
        rigs = ("R1", "R2") if number % 2 else ("R2", "R1")
        for order, rig in enumerate(rigs, start=1):
            offset = CROSSOVER_OFFSET if rig == "R2" else {}
            wear = {name: (order - 1) * step for name, step in CROSSOVER_WEAR.items()}
            results = run_results(rng, [sets, offset, wear], CROSSOVER_SECTIONS)
            day = start + datetime.timedelta(days=number + 14 * (order - 1))
            for name in CROSSOVER_SECTIONS:
                rows.append({
                    "date": day.isoformat(), "rig": rig, "operator": "KM" if number % 4 < 2 else "AJ",
                    "pad_lot": "P2603", "pad_set": f"P2603-{number:02d}", "run_order": order,
                    "section": name, "mu": results[name],
                })  # fmt: skip
    frame = pd.DataFrame(rows)
    aborted = (frame["pad_set"] == "P2603-07") & (frame["run_order"] == 2) & (frame["section"] == "recovery")
    frame = frame[~aborted].reset_index(drop=True)
    truth = {
        "layout": "every set ran on both rigs: odd sets on R1 first, even sets on R2 first",
        "sections": true_sections(CROSSOVER_SECTIONS),
        "offset_R2_minus_R1": {name: CROSSOVER_OFFSET.get(name, 0.0) for name in CROSSOVER_SECTIONS},
        "change_of_second_run": CROSSOVER_WEAR,
        "right_answer_at_margin_5_percent": {
            "characteristic": "equivalent", "pressure sensitivity": "equivalent", "fade 1": "different",
            "recovery": "different or equivalent: truly 3.1 %, inside the margin", "overall": "different",
        },
        "messy": [{"what": "missing section", "pad_set": "P2603-07", "run_order": 2, "section": "recovery",
                   "reason": "run stopped after fade"}],
    }  # fmt: skip
    content = delimited(frame, {"mu": ".4f"})
    return DemoSet(name="crossover_correlation", files={"crossover_correlation.csv": content}, truth=truth)
