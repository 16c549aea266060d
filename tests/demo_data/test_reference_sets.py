"""Round robin and reference history: what was put in is seen, messy places are as the truth says."""

import math

import pandas as pd
import pytest


def history(demo) -> pd.DataFrame:
    return pd.read_csv(demo.folder / "reference_history.csv", sep=";", decimal=",")


def cells_of_round_robin(demo) -> pd.DataFrame:
    frame = pd.read_csv(demo.folder / "round_robin.csv")
    frame = frame[frame["purpose"] == "round robin"]
    return frame.groupby(["material", "laboratory"])["mu"].agg(["size", "mean", "var"])


def cochran_critical(laboratories: int, runs: int, level: float) -> float:
    """Upper critical value of the largest of `laboratories` variances against their sum.

    Source: ISO 5725-2:1994, 7.3.3 with table 4 (from memory); by the usual bound on F, as in the table.
    """
    from scipy import stats

    f = stats.f.isf(level / laboratories, runs - 1, (laboratories - 1) * (runs - 1))
    return float(f / (f + laboratories - 1))


def test_cochran_critical_value_agrees_with_the_published_table():
    # Source: ISO 5725-2:1994, table 4, n = 3, p = 7 and 8 (from memory), three digits.
    assert cochran_critical(7, 3, 0.05) == pytest.approx(0.561, abs=0.0006)
    assert cochran_critical(7, 3, 0.01) == pytest.approx(0.664, abs=0.0006)
    assert cochran_critical(8, 3, 0.05) == pytest.approx(0.516, abs=0.0006)


def test_round_robin_shows_high_ragged_straggling_and_missing_where_stated(demo):
    cells = cells_of_round_robin(demo)
    high, ragged = (demo.messy("round_robin", what)["laboratory"] for what in ("reads high", "ragged"))
    straggler, missing = (demo.messy("round_robin", what) for what in ("straggler", "missing cell"))
    assert (missing["material"], missing["laboratory"]) not in cells.index
    assert len(cells) == 8 * 4 - 1
    assert set(cells["size"]) == {3}
    for material, rows in cells.droplevel("material").groupby(cells.index.get_level_values("material")):
        assert rows["mean"].idxmax() == high
        share = rows["var"].max() / rows["var"].sum()
        if material == straggler["material"]:
            assert rows["var"].idxmax() == straggler["laboratory"]
            assert cochran_critical(7, 3, 0.05) < share < cochran_critical(7, 3, 0.01)
        else:
            assert rows["var"].idxmax() == ragged
            assert share > cochran_critical(8, 3, 0.05)


def test_round_robin_return_runs_show_the_wear(demo):
    truth, frame = demo.truth("round_robin"), pd.read_csv(demo.folder / "round_robin.csv")
    pilot = frame[frame["laboratory"] == demo.messy("round_robin", "return runs")["laboratory"]]
    assert pilot.groupby(["material", "purpose"]).size().unstack().drop_duplicates().to_dict("records") == [
        {"return": 4, "round robin": 3}
    ]
    for material, rows in pilot.groupby("material"):
        age = rows["run_order"] - rows["run_order"].mean()
        slope = (age * rows["mu"]).sum() / (age**2).sum()
        bound = demo.errors * truth["s_r"][material] / math.sqrt((age**2).sum())
        assert slope == pytest.approx(truth["wear_per_run"][material], abs=bound)


def visit_means(demo) -> pd.DataFrame:
    """Means over sections and runs; rows are visits, columns are (rig, lot)."""
    frame = history(demo)
    return frame.pivot_table(index="visit", columns=["rig", "reference_lot"], values="mu")


def visit_sd(demo) -> tuple[float, float]:
    """Stated SDs of a visit mean over three runs and all sections: ordinary drift, and fresh sets.

    Sections share half of their variance; what is common to all rigs cancels in the comparisons below.
    """

    def of_mean(sds: list[float]) -> float:
        shared = (sum(sds) / len(sds)) ** 2
        own = sum(sd**2 for sd in sds) / len(sds) ** 2
        return math.sqrt((shared + own) / 2)

    truth = demo.truth("reference_history")
    fresh = [section["sd_of_section_mean_with_fresh_sets"] for section in truth["sections"].values()]
    drift = list(truth["sd"]["rig x visit (ordinary drift)"].values())
    return of_mean(drift), of_mean(fresh) / math.sqrt(3)


def test_history_lots_overlap_and_differ_by_the_stated_step(demo):
    both = visit_means(demo).xs("R1", axis=1)
    overlap = both.dropna()
    assert overlap.index.tolist() == ["2024-08", "2024-09", "2024-10"]
    steps = visit_means(demo).loc[overlap.index].T.groupby("reference_lot").mean().T
    step = demo.truth("reference_history")["new_lot_minus_old"]["characteristic"]
    # Four rigs and three visits; drift is the same for both lots and cancels.
    bound = demo.errors * visit_sd(demo)[1] * math.sqrt(2 / 12)
    assert (steps["RL-08"] - steps["RL-07"]).mean() == pytest.approx(step, abs=bound)


def test_history_moved_rig_steps_and_drifting_rig_drifts(demo):
    truth, means = (
        demo.truth("reference_history"),
        visit_means(demo).xs("RL-08", axis=1, level="reference_lot"),
    )
    moved, drifting = truth["relocation"], truth["drift"]
    sd = math.hypot(*visit_sd(demo))
    quiet = means[["R1", "R2"]].mean(axis=1)
    against = means[moved["rig"]] - quiet
    before = against[against.index < moved["first_visit_after"]]
    after = against[against.index >= moved["first_visit_after"]]
    bound = demo.errors * sd * math.sqrt(1.5 * (1 / len(before) + 1 / len(after)))
    assert after.mean() - before.mean() == pytest.approx(moved["step_in_every_section"], abs=bound)
    late = (means[drifting["rig"]] - quiet)[means.index >= drifting["first_visit"]]
    age = pd.Series(range(len(late)), index=late.index, dtype=float)
    age -= age.mean()
    slope = (age * late).sum() / (age**2).sum()
    bound = demo.errors * sd * math.sqrt(1.5 / (age**2).sum())
    assert slope == pytest.approx(drifting["per_month_in_every_section"], abs=bound)
    assert slope < 0


def test_history_gaps_and_the_wild_run_are_where_stated(demo):
    frame = history(demo)
    runs = frame.groupby(["rig", "visit"])["run"].nunique()
    gap, short = (demo.messy("reference_history", what) for what in ("visit not run", "two runs only"))
    assert (gap["rig"], gap["visit"]) not in runs.index
    assert runs[runs != 3].to_dict() == {(short["rig"], short["visit"]): 2}
    assert len(runs) == 30 * 4 - 1
    wild = demo.messy("reference_history", "wild run in the base period")
    own = frame[(frame["rig"] == wild["rig"]) & (frame["reference_lot"] == "RL-07")]
    level = own.groupby(["visit", "run"])["mu"].mean()
    assert level.idxmax() == (wild["visit"], wild["run"])


def test_history_events_name_the_causes(demo):
    truth = demo.truth("reference_history")
    events = pd.read_csv(demo.folder / "reference_events.csv", sep=";")
    assert events["date"].is_monotonic_increasing
    assert ((events["rig"] == truth["relocation"]["rig"]) & (events["kind"] == "relocation")).sum() == 1
    cause = events[events["rig"] == truth["drift"]["rig"]]
    assert cause["event"].str.contains("torque cell").all()
    assert len(cause) == 1
