"""Data sets for the gauge study: robust pads that run again and again, and a folder of run files.

In: the invented laboratory.  Out: DemoSets.
"""

import datetime

import numpy as np
import pandas as pd
from demo_files import DemoSet, delimited
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

SHORT_PROGRAMME = ("characteristic", "pressure sensitivity", "recovery")
RIGS = ("R1", "R2", "R3")
# Robust pads from several mixes: they differ on purpose, and a run changes them little.
MIX_SD = dict.fromkeys(SHORT_PROGRAMME, 0.018)
RIG_SD = {"characteristic": 0.007, "pressure sensitivity": 0.008, "recovery": 0.009}
OPERATOR_SD = dict.fromkeys(SHORT_PROGRAMME, 0.003)
RIG_BY_SET_SD = dict.fromkeys(SHORT_PROGRAMME, 0.003)

BALANCED_SETS = 8
BALANCED_RUNS = 3

OPERATORS = ("KM", "TB")
GAUGE_ROUNDS = 2
GAUGE_WEAR_PER_RUN = -0.0006
# (pad set, run of the set)
GAUGE_MISSING_RUNS = (("G12", 4), ("G13", 9), ("G15", 6), ("G15", 11))
GAUGE_EMPTY_CELL = ("G14", 7)

FOLDER_SECTIONS = ("characteristic", "fade 1", "recovery")
FOLDER_LOT = "P2604"
FOLDER_OFFSET = {"R1": 0.0, "R2": 0.010, "R3": 0.0}
FOLDER_FIRST_RUN = 5201
FOLDER_SHORT_RUN, FOLDER_LAST_STOP = 5207, 11
FOLDER_NO_OPERATOR = 5210
FOLDER_LOWER_CASE = 5205


def _repeatability() -> dict[str, float]:
    return {name: round(SECTIONS[name].run_result_sd, 6) for name in SHORT_PROGRAMME}


def gauge_study_balanced() -> DemoSet:
    """Three rigs, eight pad sets, three runs of every set on every rig; no wear at all."""
    rng = generator(4)
    rigs = {rig: across_sections(rng, RIG_SD) for rig in RIGS}
    sets = {f"G{number}": across_sections(rng, MIX_SD) for number in range(1, BALANCED_SETS + 1)}
    pairs = {(rig, pad): across_sections(rng, RIG_BY_SET_SD) for rig in RIGS for pad in sets}
    start, rows = datetime.date(2026, 1, 12), []
    for pad in sets:
        turns = rng.permutation(np.repeat(RIGS, BALANCED_RUNS))
        seen = dict.fromkeys(RIGS, 0)
        for order, rig in enumerate(turns.tolist(), start=1):
            seen[rig] += 1
            results = run_results(rng, [rigs[rig], sets[pad], pairs[rig, pad]], SHORT_PROGRAMME)
            for name in SHORT_PROGRAMME:
                rows.append({
                    "date": (start + datetime.timedelta(days=order)).isoformat(), "rig": rig, "pad_set": pad,
                    "run": seen[rig], "run_order": order, "section": name, "mu": results[name],
                })  # fmt: skip
    frame = pd.DataFrame(rows).sort_values(["run_order", "pad_set"], kind="stable")
    truth = {
        "layout": "3 rigs x 8 pad sets x 3 runs, crossed and balanced; `run` counts within rig and pad set, "
        "`run_order` within the pad set",
        "level": {name: SECTIONS[name].level for name in SHORT_PROGRAMME},
        "sd": {
            "rig": RIG_SD,
            "pad_set": MIX_SD,
            "rig x pad_set": RIG_BY_SET_SD,
            "repeatability": _repeatability(),
        },
        "realised": {"rig": rounded(rigs), "pad_set": rounded(sets)},
        "wear_per_run": 0.0,
        "messy": [],
    }
    content = delimited(frame, {"mu": ".4f"}, encoding="utf-8-sig")
    return DemoSet(name="gauge_study_balanced", files={"gauge_study_balanced.csv": content}, truth=truth)


def _gauge_schedule(rng: np.random.Generator) -> list[dict[str, object]]:
    """Every set meets every rig and operator once in each of two rounds, in a Latin-square order.

    A day holds one run of each set and one run of each pair of rig and operator, which balances wear.
    """
    pairs = [(rig, operator) for rig in RIGS for operator in OPERATORS]
    shifts = [int(shift) for _ in range(GAUGE_ROUNDS) for shift in rng.permutation(len(pairs))]
    return [
        {"day": day, "set": f"G{pad + 11}", "rig": rig, "operator": operator}
        for day, shift in enumerate(shifts)
        for pad in range(len(pairs))
        for rig, operator in [pairs[(pad + shift) % len(pairs)]]
    ]


def gauge_study() -> DemoSet:
    """Three rigs, two operators, six sets of robust pads, two runs of each; wear; some results missing."""
    rng = generator(3)
    rigs = {rig: across_sections(rng, RIG_SD) for rig in RIGS}
    operators = {name: across_sections(rng, OPERATOR_SD) for name in OPERATORS}
    sets = {f"G{number}": across_sections(rng, MIX_SD) for number in range(11, 17)}
    pairs = {(rig, pad): across_sections(rng, RIG_BY_SET_SD) for rig in RIGS for pad in sets}
    start, rows = datetime.datetime(2026, 1, 19), []
    for entry in _gauge_schedule(rng):
        rig, operator, pad, order = entry["rig"], entry["operator"], entry["set"], int(entry["day"]) + 1
        wear = dict.fromkeys(SHORT_PROGRAMME, GAUGE_WEAR_PER_RUN * (order - 1))
        effects = [rigs[rig], operators[operator], sets[pad], pairs[rig, pad], wear]
        results = run_results(rng, effects, SHORT_PROGRAMME)
        temperature = round(100 + 3 * rng.standard_normal(), 1)
        mu = [None if (pad, order) == GAUGE_EMPTY_CELL and name == "recovery" else round(results[name], 4)
              for name in SHORT_PROGRAMME]  # fmt: skip
        if (pad, order) not in GAUGE_MISSING_RUNS:
            rows.append(
                [start + datetime.timedelta(days=order - 1), rig, operator, pad, order, temperature, *mu]
            )
    header = ["date", "rig", "operator", "pad set", "run of set", "start temperature", *SHORT_PROGRAMME]
    units = [None, None, None, None, None, "°C", "-", "-", "-"]
    titles = [["Hollin Lane friction laboratory: gauge study, robust pads, short programme"],
              ["rigs R1 to R3, January 2026; friction averaged over time"]]  # fmt: skip
    sheets = {"notes": [["results are on the sheet 'results'"]], "results": [*titles, header, units, *rows]}
    return DemoSet(
        name="gauge_study", files={"gauge_study.xlsx": sheets}, truth=_gauge_truth(rigs, operators, sets)
    )


def _gauge_truth(rigs: dict[str, dict[str, float]], operators: dict[str, dict[str, float]],
                 sets: dict[str, dict[str, float]]) -> dict[str, object]:  # fmt: skip
    return {
        "layout": "3 rigs x 2 operators x 6 pad sets x 2 runs, crossed; unbalanced by missing runs",
        "workbook": {"sheet": "results", "title_lines": 2, "header_row": 3, "units_row": 4,
                     "first_data_row": 5},
        "level": {name: SECTIONS[name].level for name in SHORT_PROGRAMME},
        "sd": {"rig": RIG_SD, "operator": OPERATOR_SD, "pad_set": MIX_SD, "rig x pad_set": RIG_BY_SET_SD,
               "repeatability": _repeatability()},
        "realised": {"rig": rounded(rigs), "operator": rounded(operators), "pad_set": rounded(sets)},
        "wear_per_run": GAUGE_WEAR_PER_RUN,
        "messy": [
            {"what": "title lines, a units row and a sheet of notes before the results"},
            {"what": "missing runs", "where": [
                {"pad set": pad, "run of set": order} for pad, order in GAUGE_MISSING_RUNS],
             "reason": "results lost; the set ran and wore"},
            {"what": "empty cell", "pad set": GAUGE_EMPTY_CELL[0], "run of set": GAUGE_EMPTY_CELL[1],
             "section": "recovery"},
        ],
    }  # fmt: skip


def _run_file(rng: np.random.Generator, run: int, rig: str, pad: str, operator: str) -> bytes:
    """One run as the rig prints it: header lines, then tab-separated stops, in cp1252 with CR LF."""
    day = datetime.date(2026, 4, 13) + datetime.timedelta(days=(run - FOLDER_FIRST_RUN) // 3)
    remark = "stopped early, hydraulic alarm" if run == FOLDER_SHORT_RUN else ""
    lines = [
        "Hollin Lane friction laboratory", f"Test no.:\t{run}", f"Rig:\t{rig}", f"Pad lot:\t{FOLDER_LOT}",
        f"Pad set:\t{pad}", f"Operator:\t{operator}", f"Date:\t{day:%d.%m.%Y}", "Cooling air:\t20 °C",
        f"Remark:\t{remark}", "", "section\tstop\tpressure [bar]\tstart temperature [°C]\tmu [-]",
    ]  # fmt: skip
    sets, runs = set_effects(rng, FOLDER_SECTIONS), run_effects(rng, FOLDER_SECTIONS)
    for name in FOLDER_SECTIONS:
        for stop in stop_rows(rng, SECTIONS[name], sets[name] + runs[name] + FOLDER_OFFSET[rig]):
            if run == FOLDER_SHORT_RUN and name == "recovery" and stop["stop"] > FOLDER_LAST_STOP:
                break
            lines.append(f"{name}\t{stop['stop']}\t{stop['pressure_bar']:.0f}\t{stop['start_temp_C']:.1f}"
                         f"\t{stop['mu']:.4f}")  # fmt: skip
    return ("\r\n".join(lines) + "\r\n").encode("cp1252")


def run_folder() -> DemoSet:
    """Twelve runs in a file each, four sets on each of three rigs; rig, lot, set and run stand in the header
    lines and in the file name."""
    rng = generator(5)
    files = {}
    for number in range(12):
        run, rig, pad = FOLDER_FIRST_RUN + number, RIGS[number % 3], f"S{number + 1:02d}"
        operator = "" if run == FOLDER_NO_OPERATOR else OPERATORS[number // 3 % 2]
        in_name = rig.lower() if run == FOLDER_LOWER_CASE else rig
        files[f"runs/{run}_{in_name}_{FOLDER_LOT}_{pad}.txt"] = _run_file(rng, run, rig, pad, operator)
    truth = {
        "layout": "12 files, 4 sets of one lot on each of 3 rigs, each set run once; file name "
        "RUN_RIG_LOT_SET.txt",
        "sections": true_sections(FOLDER_SECTIONS),
        "rig_offset_in_every_section": FOLDER_OFFSET,
        "messy": [
            {"what": "missing stops", "run": FOLDER_SHORT_RUN, "section": "recovery",
             "stops": [FOLDER_LAST_STOP + 1, SECTIONS["recovery"].stops]},
            {"what": "operator not filled in", "run": FOLDER_NO_OPERATOR},
            {"what": "rig in lower case in the file name only", "run": FOLDER_LOWER_CASE},
            {"what": "cp1252 with degree signs, CR LF line ends, dates as day.month.year"},
        ],
    }  # fmt: skip
    return DemoSet(name="runs", files=files, truth=truth)
