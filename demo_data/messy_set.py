"""A results file with one of everything that goes wrong, for `repeatab check`.

In: a clean table.  Out: a DemoSet whose truth lists every fault with its file rows.
"""

import datetime

import pandas as pd
from demo_files import DemoSet, delimited
from invented_lab import generator, run_results, set_effects

SECTIONS = ("characteristic", "fade 1", "recovery")
# (what was made wrong, column, {file row: value put there}); the header is row 1.
FAULTS: tuple[tuple[str, str, dict[int, str]], ...] = (
    ("near-duplicate rig names", "rig", {5: "r1", 6: "r1", 7: "r1", 17: "R 2", 18: "R 2", 19: "R 2"}),
    ("near-duplicate section names", "section", {12: "Fade 1", 24: "fade-1"}),
    ("missing result", "result", {9: "", 30: ""}),
    ("non-numeric result", "result", {14: "n/a", 27: "0.38?"}),
    ("infinite result", "result", {21: "inf"}),
    ("percent in a column of fractions", "result", {23: "39.1"}),
    ("fraction a hundred times too small", "result", {33: "0.0038"}),
    ("mixed units: percent", "unit", {26: "%"}),
    ("mixed units: percent", "result", {26: "40.6"}),
    ("mixed units: brake factor", "unit", {35: "C*"}),
    ("mixed units: brake factor", "result", {35: "0.8120"}),
    ("differing averaging", "averaging", {32: "distance", 34: "distance"}),
    ("pad set listed under two lots", "pad_lot", {8: "P2605", 10: "P2605"}),
    ("level seen once", "section", {37: "green"}),
    ("times out of order", "date", {20: "2026-05-04", 22: "2026-05-04"}),
)
# Row 11 of the tidy table is stored again at the end, with another result.
REPEATED_ROW, REPEATED_RESULT = 11, "0.3995"


def messy_labels() -> DemoSet:
    """Two rigs, six sets each, and the faults listed above."""
    frame = _tidy_table()
    for _, column, values in FAULTS:
        for row, value in values.items():
            frame.loc[row - 2, column] = value
    again = frame.loc[[REPEATED_ROW - 2]].assign(result=REPEATED_RESULT)
    frame = pd.concat([frame, again], ignore_index=True)
    faults = [{"what": what, "column": column, "rows": list(values)} for what, column, values in FAULTS]
    faults.append(
        {
            "what": "duplicate key",
            "column": "result",
            "rows": [REPEATED_ROW, len(frame) + 1],
            "note": "the repeated row is out of order in time as well",
        }
    )
    truth = {"layout": "2 rigs x 6 pad sets, each set run once; only for the checks", "messy": faults}
    return DemoSet(name="messy_labels", files={"messy_labels.csv": delimited(frame, {})}, truth=truth)


def _tidy_table() -> pd.DataFrame:
    rng = generator(8)
    start, rows = datetime.date(2026, 5, 11), []
    for number in range(12):
        results = run_results(rng, [set_effects(rng, SECTIONS)], SECTIONS)
        for name in SECTIONS:
            rows.append({
                "date": (start + datetime.timedelta(days=number // 2)).isoformat(),
                "rig": "R1" if number < 6 else "R2", "pad_lot": "P2604", "pad_set": f"P2604-{number + 1:02d}",
                "run": str(7001 + number), "section": name, "averaging": "time", "unit": "-",
                "result": f"{results[name]:.4f}",
            })  # fmt: skip
    return pd.DataFrame(rows)
