"""Checks of round robins: precision, consistency, outlier tests, robust estimators, scores, consensus, uncertainty.

In: the carried examples.  Out: checks.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from repeatab.dossier.carried import case, results, rows
from repeatab.dossier.checks import Check, Compared, each, known_of, printed, same

SULFUR, SOFTENING, GLUCOSE = (
    "iso5725_2_sulfur_in_coal",
    "iso5725_2_softening_point_of_pitch",
    "e691_serum_glucose",
)
_BOTH = "the printed decimals, and eight digits of values computed again from the data"


def laboratory_checks() -> tuple[Check, ...]:
    return (
        Check(
            key="sulfur", title="Sulfur in coal: precision, h and k, Cochran, Grubbs, four levels, unequal cells",
            source=case(SULFUR)["source"], known=known_of(case(SULFUR)), digits=_BOTH, run=_sulfur,
        ),
        Check(
            key="softening", title="Softening point of pitch: precision of two levels",
            source=case(SOFTENING)["source"], known=known_of(case(SOFTENING)), digits="the printed decimals",
            run=_softening,
        ),
        Check(
            key="glucose", title="Glucose in serum: precision of five materials",
            source=case(GLUCOSE)["source"], known=known_of(case(GLUCOSE)),
            digits="one unit of the fourth printed decimal (the print rounds cell means first)", run=_glucose,
        ),
        Check(
            key="critical values", title="Critical values of Cochran and Grubbs, indicator values of h and k",
            source=case("critical_values_consistency_tests")["source"],
            known=known_of(case("critical_values_consistency_tests")), digits="four decimals", run=_critical,
        ),
        Check(
            key="robust", title="Algorithm A on copper in flour, factors of algorithm S",
            source="Analyst 114 (1989) 1693-1702 (data); ISO 13528 and ISO 5725-5 (algorithms)",
            known="Values computed again from the definitions; factors as printed, from memory.",
            digits="nine digits; factors three decimals, xi 0.7 of a unit more", run=_robust,
        ),
        Check(
            key="scores", title="z, z′, zeta and E_n",
            source=case("performance_scores")["source"], known=known_of(case("performance_scores")),
            digits="nine digits", run=_scores,
        ),
        Check(
            key="consensus", title="Consensus of thirteen results with stated uncertainties, three methods",
            source="Data: Colditz et al., JAMA 271 (1994) 698-702. Methods: DerSimonian & Laird (1986); Mandel & Paule "
            "(1970); restricted maximum likelihood. Values as in J. Stat. Softw. 36(3) (2010)",
            known="Published, with more digits from the library described there.",
            digits="eight decimals; 3e-5 where that library's own iteration stops", run=_consensus,
        ),
        Check(
            key="uncertainty", title="Standard uncertainty from reproducibility and repeatability",
            source=case("reproducibility_as_uncertainty")["source"],
            known=known_of(case("reproducibility_as_uncertainty")), digits="nine digits", run=_uncertainty,
        ),
    )  # fmt: skip


def _sulfur() -> Iterator[Compared]:
    from repeatab.interlab.consistency import mandel
    from repeatab.interlab.level import LevelCells
    from repeatab.interlab.outlier_tests import cochran, grubbs, grubbs_pair
    from repeatab.interlab.precision import precision

    known = case(SULFUR)
    for name, cells in results(SULFUR, level="level", value="sulfur_percent").items():
        level = LevelCells.from_results(level=name, results=cells)
        found, stated, again = (
            precision(level),
            known["expected"]["per_level"][name],
            known["recomputed"][name],
        )
        label = f"level {name}"
        for key, value in (("m", found.mean), ("s_r", found.s_r), ("s_R", found.s_R)):
            yield printed(f"{label}: {key} as printed", stated[key], value, decimals=3)
        for key in ("s_r", "s_L", "s_R"):
            yield same(f"{label}: {key}", again[key], getattr(found, key), rel=1e-8)
        of_cells = mandel(level)
        yield from each(f"{label}: h, laboratory", again["h"], (row.h for row in of_cells), rel=1e-8)
        yield from each(f"{label}: k, laboratory", again["k"], (row.k for row in of_cells), rel=1e-8)
        yield same(f"{label}: Cochran's C", again["cochran_C"], cochran(level).statistic, rel=1e-8)
        for key, test in (("single", grubbs), ("pair", grubbs_pair)):
            for end in ("low", "high"):
                extreme = test(level, high=end == "high").statistic
                yield same(
                    f"{label}: Grubbs, {key}, {end}", again["grubbs"][f"{key}_{end}"], extreme, rel=1e-8
                )


def _softening() -> Iterator[Compared]:
    from repeatab.interlab.level import LevelCells
    from repeatab.interlab.precision import precision

    known = case(SOFTENING)["expected"]["per_level"]
    found = results(SOFTENING, level="level", value="softening_point_C")
    # At levels 3 and 4 one remembered result, or the remembered s_R, is off by a digit (see the project's tests).
    for name in ("1", "2"):
        level = LevelCells.from_results(level=name, results=found[name]).replicated()
        value = precision(level)
        yield printed(f"level {name}: m", known[name]["m"], value.mean, decimals=2)
        yield printed(f"level {name}: s_r", known[name]["s_r"], value.s_r, decimals=3)
        yield printed(f"level {name}: s_R", known[name]["s_R"], value.s_R, decimals=3)


def _glucose() -> Iterator[Compared]:
    from repeatab.interlab.level import LevelCells
    from repeatab.interlab.precision import precision

    known = case(GLUCOSE)["expected"]
    for material, cells in results(GLUCOSE, level="material", value="glucose_mg_per_dL").items():
        found = precision(LevelCells.from_results(level=material, results=cells))
        for key, value in (("xbar", found.mean), ("s_r", found.s_r), ("s_R", found.s_R)):
            yield printed(f"material {material}: {key}", known[key][material], value, decimals=4, units=1.5)


def _critical() -> Iterator[Compared]:
    from repeatab.interlab.consistency import h_indicator, k_indicator
    from repeatab.interlab.outlier_tests import cochran_critical, grubbs_critical

    found: float | None
    for row in rows("critical_values_consistency_tests"):
        p, alpha, test = int(row["p"]), float(row["alpha"]), row["test"]
        match test:
            case "cochran":
                found = cochran_critical(p, int(row["n"]), alpha=alpha)
            case "grubbs_one":
                found = grubbs_critical(p, alpha=alpha)
            case "h":
                found = h_indicator(p, alpha=alpha)
            case _:
                found = k_indicator(p, int(row["n"]), alpha=alpha)
        label = f"{test.replace('_', ', ')}, p = {p}, n = {row['n'] or '-'}, {alpha:.0%}"
        yield printed(label, row["critical_value"], found, decimals=4, units=0.51)


def _robust() -> Iterator[Compared]:
    from repeatab.estimation.robust import algorithm_a, algorithm_s_factors

    expected = case("robust_copper_in_flour")["expected"]["algorithm_A_fixed_point"]
    found = algorithm_a([float(row["result"]) for row in rows("robust_copper_in_flour")])
    yield same("algorithm A: x*", expected["x_star"], found.mean, near=1e-9)
    yield same("algorithm A: s*", expected["s_star"], found.sd, near=1e-9)
    table = case("algorithm_S_factors")["expected"]
    for nu, eta, xi in zip(table["nu"], table["eta"], table["xi"], strict=True):
        factors = algorithm_s_factors(nu)
        yield printed(f"algorithm S: eta, {nu} degrees of freedom", eta, factors[0], decimals=3)
        yield printed(f"algorithm S: xi, {nu} degrees of freedom", xi, factors[1], decimals=3, units=0.7)


def _scores() -> Iterator[Compared]:
    import numpy as np

    from repeatab.interlab.scores import e_n_score, z_prime_score, z_score, zeta_score

    known = case("performance_scores")["expected"]
    given, out = known["input"], known["output"]
    x, reference, sigma = np.array([given["x"]]), given["x_pt"], given["sigma_pt"]
    u, u_reference = np.array([given["U_x"] / 2]), given["U_pt"] / 2
    yield same("z", out["z"], z_score(x, reference, sigma)[0], rel=1e-9)
    yield same("z′", out["z_prime"], z_prime_score(x, reference, sigma, u_reference)[0], rel=1e-9)
    yield same("zeta", out["zeta"], zeta_score(x, reference, u, u_reference)[0], rel=1e-9)
    yield same("E_n", out["En"], e_n_score(x, reference, 2 * u, given["U_pt"])[0], rel=1e-9)


def _consensus() -> Iterator[Compared]:
    import numpy as np

    from repeatab.interlab.consensus import consensus

    data = rows("consensus_bcg_trials")
    y, u = np.array([float(r["y"]) for r in data]), np.sqrt([float(r["variance"]) for r in data])
    expected = case("consensus_bcg_trials")["expected"]
    methods = (("dersimonian-laird", "DerSimonian-Laird"), ("mandel-paule", "Mandel-Paule"), ("reml", "REML"))
    for method, name in methods:
        near = 1.1e-8 if method == "dersimonian-laird" else 3e-5
        found, stated = consensus(y, u, method=method), expected[name]
        yield same(f"{name}: value", stated["mean"], found.value, near=near)
        yield same(f"{name}: standard uncertainty", stated["se"], found.standard_uncertainty, near=near)
        yield same(f"{name}: between-laboratory SD", math.sqrt(stated["tau2"]), found.between_sd, near=near)


def _uncertainty() -> Iterator[Compared]:
    from repeatab.jobs.lots.question import StatedUncertainty

    example = case("reproducibility_as_uncertainty")["expected"]["example"]
    stated = StatedUncertainty(reproducibility=example["s_R"], repeatability=example["s_r"])
    yield same("mean of three results", example["u_mean_of_3"], stated.of_mean(3), rel=1e-9)
    yield same("one result", example["s_R"], stated.of_mean(1), rel=1e-9)
