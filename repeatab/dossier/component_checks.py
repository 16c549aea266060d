"""Checks of variance components, their limits, Kenward-Roger inference and the gauge study.

In: the carried examples.  Out: checks. What each value is held to is the tolerance its file states, which says why.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from repeatab.dossier.carried import Example
from repeatab.dossier.checks import Check, Compared, printed, same

CERTIFIED = {"strd_sirstv": "SiRstv", "strd_atmwtag": "AtmWtAg", "strd_smls01": "SmLs01"}
BALANCED = ("dyestuff", "pastes", "penicillin", "rail")
UNEVEN = ("dyestuff2", "machines", "oxide", "relocation_unbalanced", "gauge_missing")
CONTRASTS = ("machines", "oxide_source", "relocation_unbalanced", "gauge_temperature")

_TWICE = "The digits are those of two routes that agree: two established mixed-model libraries, and the likelihood "
_KNOWN = _TWICE + "written out in full with its optimum refined by Newton steps."


def component_checks() -> tuple[Check, ...]:
    return (
        Check(
            key="certified", title="Certified one-way analyses of variance",
            source="NIST/ITL Statistical Reference Datasets, analysis of variance: SiRstv, AtmWtAg, SmLs01",
            known="Certified values of the institute, 15 digits.",
            digits="twice what storing the data as doubles already costs", run=_certified,
        ),
        Check(
            key="anova", title="Sums of squares, F and components of balanced layouts",
            source="Davies & Goldsmith (1972), Statistical Methods in Research and Production (dyestuff, pastes, "
            "penicillin); Devore (2000) and Pinheiro & Bates (2000) (rail)",
            known="Exact arithmetic on the published data.", digits="ten digits", run=_balanced,
        ),
        Check(
            key="reml", title="Restricted maximum likelihood, with zero components and unbalanced layouts",
            source="Box & Tiao (1973); Milliken & Johnson (1992); Littell et al. (1996); Pinheiro & Bates (2000); two "
            "invented unbalanced layouts", known=_KNOWN, digits="eight digits", run=_reml,
        ),
        Check(
            key="reml printed", title="The same as printed in the literature",
            source="Pinheiro & Bates (2000), Mixed-Effects Models (machines); Bates, examples (penicillin)",
            known="Printed values from memory.", digits="the printed digits", run=_reml_printed,
        ),
        Check(
            key="kenward-roger", title="Contrasts: estimate, standard error, degrees of freedom, p, 95 % limits",
            source="Method: Kenward & Roger (1997), Biometrics 53, 983-997. Data: Pinheiro & Bates (2000); two "
            "invented unbalanced layouts, one with a covariate", known=_KNOWN, digits="seven digits", run=_contrasts,
        ),
        Check(
            key="limits", title="95 % limits of components in balanced layouts",
            source="Methods: chi-square; Graybill & Wang (1980), JASA 75, 869-873; Ting et al. (1990), J. Stat. "
            "Comput. Simul. 35, 135-143. Data: Davies & Goldsmith (1972); Devore (2000)",
            known="Formulas evaluated by another route.", digits="eight digits", run=_limits,
        ),
        Check(
            key="gauge", title="Gauge study of ten parts, three appraisers, three trials",
            source="Automotive measurement-systems handbook, worked example",
            known="Data and values from memory; the sums of squares confirm the data.",
            digits="the printed digits", run=_gauge,
        ),
        Check(
            key="intraclass", title="Intraclass correlation of six subjects and four judges",
            source="Shrout & Fleiss (1979), Psychological Bulletin 86, 420-428, tables 2 and 4",
            known="Data from memory, confirmed by the printed mean squares; coefficients as printed and with more "
            "digits.", digits="printed digits, and nine digits", run=_intraclass,
        ),
    )  # fmt: skip


def _certified() -> Iterator[Compared]:
    for name, label in CERTIFIED.items():
        example = Example(name)
        anova = example.fit().anova
        assert anova is not None
        certified, close = example.expected["certified"], example.expected["tolerance"]["anova"]
        between, within = anova.iloc[0], anova.iloc[1]
        yield same(f"{label}: mean square between", certified["ms_between"], between["ms"], rel=close)
        yield same(f"{label}: mean square within", certified["ms_within"], within["ms"], rel=close)
        yield same(f"{label}: F", certified["f"], between["f"], rel=2 * close)
        yield same(f"{label}: residual SD", certified["residual_sd"], math.sqrt(within["ms"]), rel=close)


def _balanced() -> Iterator[Compared]:
    for name in BALANCED:
        example = Example(name)
        fit = example.fit()
        assert fit.anova is not None
        table = fit.anova.set_index("source")
        close = example.expected["tolerance"]["anova"]
        for row in example.expected["anova"]["rows"]:
            found = table.loc[example.names[row["term"]]]
            yield same(f"{name}: sum of squares, {row['term']}", row["ss"], found["ss"], rel=close)
            if "f" in row:
                yield same(f"{name}: F, {row['term']}", row["f"], found["f"], rel=2 * close)
        variances = example.expected["anova"]["moment_variances"]
        for term, value in variances.items():
            raw = fit.components.loc[example.names[term], "raw_variance"]
            total = sum(abs(v) for v in variances.values())
            yield same(f"{name}: variance, {term}", value, raw, rel=1e-8, near=close * total)


def _reml() -> Iterator[Compared]:
    for name in UNEVEN:
        example = Example(name)
        fit = example.fit(method="reml")
        wanted, tolerance = example.expected["estimates"]["reml"], example.expected["tolerance"]
        total = sum(wanted["variances"].values())
        for term, value in wanted["variances"].items():
            found = fit.components.loc[example.names[term], "variance"]
            close = tolerance["variances"]
            yield same(f"{name}: variance, {term}", value, found, rel=close, near=close * total)
        yield same(
            f"{name}: -2 log restricted likelihood", wanted["minus2loglik"], -2 * fit.log_likelihood,
            near=tolerance["minus2loglik_absolute"],
        )  # fmt: skip


def _reml_printed() -> Iterator[Compared]:
    machines, penicillin = Example("machines"), Example("penicillin")
    sd = machines.fit(method="reml").components["sd"]
    values = machines.expected["published_from_memory"]["values"]
    yield printed("machines: SD, worker", values["reml_sd_worker"]["remembered"], sd["worker"], decimals=4)
    both = sd["worker × machine"] if "worker × machine" in sd.index else sd.iloc[1]
    yield printed(
        "machines: SD, worker × machine", values["reml_sd_worker_machine"]["remembered"], both, decimals=4
    )
    last = sd["repeatability"]
    yield printed("machines: SD, residual", values["reml_sd_residual"]["remembered"], last, decimals=5)
    fit = penicillin.fit(method="reml")
    values = penicillin.expected["published_from_memory"]["values"]
    for term in ("plate", "sample", "residual"):
        found = fit.components.loc[penicillin.names[term], "variance"]
        yield printed(
            f"penicillin: variance, {term}", values[f"reml_{term}"]["remembered"], found, decimals=4
        )
    criterion = values["reml_criterion"]["remembered"]
    yield printed("penicillin: -2 log restricted likelihood", criterion, -2 * fit.log_likelihood, decimals=4)


def _contrasts() -> Iterator[Compared]:
    for name in CONTRASTS:
        example = Example(name)
        fit = example.fit()
        tolerance = example.expected["tolerance"]
        close = tolerance["kenward_roger"]
        for wanted in example.expected["contrasts"]:
            if "level" not in wanted:
                continue
            found = fit.contrast(wanted["factor"], wanted["level"], reference=wanted["reference"])
            label = f"{name}: {wanted['level']} - {wanted['reference']}"
            se = wanted["se_kr"]
            yield same(f"{label}, estimate", wanted["estimate"], found.estimate, near=tolerance["fixed"] * se)
            yield same(f"{label}, standard error", se, found.se, rel=close)
            yield same(f"{label}, degrees of freedom", wanted["df_kr"], found.df, rel=close)
            yield same(f"{label}, p", wanted["p_kr"], found.p, rel=20 * close, near=1e-12)
            for side, limit, end in zip(
                ("lower", "upper"), wanted["ci95_kr"], (found.lower, found.upper), strict=True
            ):
                yield same(f"{label}, {side} limit", limit, end, near=10 * close * se)


def _limits() -> Iterator[Compared]:
    for name in BALANCED:
        example = Example(name)
        components = example.fit().components
        exact = example.expected["ci"]["residual_chi_square"]["sd"]
        for side in ("lower", "upper"):
            found = components.loc["repeatability", f"sd_{side}"]
            yield same(f"{name}: SD, repeatability, {side} limit", exact[side], found, rel=1e-8)
        for term, wanted in example.expected["ci"]["modified_large_sample_variance"].items():
            if term == "total" or example.expected["anova"]["moment_variances"][term] < 0:
                continue
            for side in ("lower", "upper"):
                found = components.loc[example.names[term], f"sd_{side}"]
                limit = math.sqrt(max(wanted[side], 0.0))
                yield same(f"{name}: SD, {term}, {side} limit", limit, found, rel=1e-8)


def _gauge() -> Iterator[Compared]:
    from repeatab.judgement.average_range import average_and_range

    example = Example("handbook_ten_parts")
    frame = example.frame.sort_values(["appraiser", "part"], kind="stable")
    values = frame[example.expected["response"]].to_numpy().reshape(3, 10, 3)
    found, wanted = average_and_range(values), example.expected["average_and_range"]
    for name in ("EV", "AV", "GRR", "PV", "TV"):
        # The handbook's factors K carry four digits; ours follow from the distribution of the range.
        yield same(f"average and range: {name}", wanted[name], getattr(found, name.lower()), rel=1.5e-4)
    yield same("average and range: categories", wanted["distinct_categories"], found.categories)
    anova = example.fit().anova
    assert anova is not None
    table = anova.set_index("source")
    remembered = example.expected["published_from_memory"]["values"]
    for key, source in (
        ("ss_appraiser", "appraiser"), ("ss_part", "part"), ("ss_interaction", "appraiser × part"),
        ("ss_equipment", "repeatability"),
    ):  # fmt: skip
        stated = remembered[key]["remembered"]
        yield printed(f"sum of squares, {source}", stated, table.loc[source, "ss"], decimals=4)


def _intraclass() -> Iterator[Compared]:
    from repeatab.judgement.intraclass import one_way, two_way_agreement, two_way_consistency

    expected = Example("judges_subjects").expected
    ms = expected["intraclass"]["mean_squares"]
    subject, judge, residual = ms["subject"], ms["judge"], ms["residual"]
    found = {
        "icc_1_1": one_way(subject, ms["within_subject"], subjects=6, each=4),
        "icc_2_1": two_way_agreement(subject, judge, residual, subjects=6, judges=4),
        "icc_3_1": two_way_consistency(subject, residual, subjects=6, judges=4),
    }
    for form, one in found.items():
        label = f"form ({form[4]},1)"
        wanted = expected["intraclass"][form]
        stated = expected["published_from_memory"]["values"][form]["remembered"]
        yield printed(f"{label} as printed", stated, one.value, decimals=2)
        yield same(label, wanted["value"], one.value, rel=1e-12)
        yield same(f"{label}, lower limit", wanted["lower"], one.interval.lower, rel=1e-9)
        yield same(f"{label}, upper limit", wanted["upper"], one.interval.upper, rel=1e-9)
