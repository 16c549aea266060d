"""Data sets for the gauge study: robust pads that run again and again, and a folder of run files.

In: the invented laboratory.  Out: DemoSets.
"""

import datetime

import numpy as np
import pandas as pd
from demo_files import DemoSet, delimited
from invented_lab import SECTIONS, across_sections, generator, run_results

SHORT_PROGRAMME = ("characteristic", "pressure sensitivity", "recovery")
RIGS = ("R1", "R2", "R3")
# Robust pads from several mixes: they differ on purpose, and a run changes them little.
MIX_SD = dict.fromkeys(SHORT_PROGRAMME, 0.018)
RIG_SD = {"characteristic": 0.007, "pressure sensitivity": 0.008, "recovery": 0.009}
OPERATOR_SD = dict.fromkeys(SHORT_PROGRAMME, 0.003)
RIG_BY_SET_SD = dict.fromkeys(SHORT_PROGRAMME, 0.003)

BALANCED_SETS = 8
BALANCED_RUNS = 3


def _repeatability() -> dict[str, float]:
    return {name: round(SECTIONS[name].run_result_sd, 6) for name in SHORT_PROGRAMME}


def _rounded(effects: dict[object, dict[str, float]]) -> dict[str, dict[str, float]]:
    """Realised effects for the truth file: what these rigs or sets really add, not the SD they came from."""
    return {
        str(key): {name: round(value, 5) for name, value in effect.items()} for key, effect in effects.items()
    }


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
        "realised": {"rig": _rounded(rigs), "pad_set": _rounded(sets)},
        "wear_per_run": 0.0,
        "messy": [],
    }
    content = delimited(frame, {"mu": ".4f"}, encoding="utf-8-sig")
    return DemoSet(name="gauge_study_balanced", files={"gauge_study_balanced.csv": content}, truth=truth)
