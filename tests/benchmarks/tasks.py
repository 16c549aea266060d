"""Tasks: what one Python process of a benchmark does: set up, warm up once, then call and print the seconds.

Run as `python tasks.py TASK ARGUMENTS`. The clock stops when the numbers that a user reads have been read.
"""

from __future__ import annotations

import importlib.metadata
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

Call = Callable[[], object]
_MIXEDLM_BYTES = 6 << 30


def versions(*names: str) -> str:
    return ", ".join(
        f"{name} {importlib.metadata.version(name)}" if name != "repeatab" else "repeatab" for name in names
    )


def fit(table: str) -> Any:
    from designs import RANDOM, TABLES

    import repeatab as rb

    data = TABLES[table]()

    def call() -> Any:
        fitted = rb.fit_components(data, result="mu", random=RANDOM[table], method="reml")
        fitted.components["variance"]
        return fitted

    return call, versions("numpy", "scipy", "pandas"), lambda fitted: {
        "loglik": fitted.log_likelihood, "gradient": _left_over(fitted),
    }  # fmt: skip


def _left_over(fitted: Any) -> float:
    """The projected gradient at the optimum: in the logarithms of the variances, and at zero only what would lead
    inside."""
    import numpy as np

    from repeatab.estimation.moments import moments

    (part,) = fitted.blocks
    theta = part.minimum.theta
    slope = moments(part.system, theta).gradient
    return float(np.max(np.where(theta > 0, np.abs(theta * slope), np.maximum(-slope, 0))))


def mixedlm(table: str) -> Any:
    from designs import RANDOM, TABLES
    from statsmodels.regression.mixed_linear_model import MixedLM

    # It forms matrices of rows by rows; where they do not fit, that is its answer, not this machine's end.
    resource.setrlimit(resource.RLIMIT_AS, (_MIXEDLM_BYTES, _MIXEDLM_BYTES))
    data = TABLES[table]()
    parts = {}
    for term in RANDOM[table]:
        names = (term,) if isinstance(term, str) else term
        parts["x".join(names)] = "0 + " + ":".join(f"C({name})" for name in names)

    def call() -> Any:
        one = data.assign(all=1)
        model = MixedLM.from_formula("mu ~ 1", groups="all", vc_formula=parts, re_formula="0", data=one)
        return model.fit(reml=True)

    return call, versions("statsmodels"), lambda found: {"loglik": found.llf}


def contrast(table: str) -> Any:
    from designs import RANDOM, TABLES

    import repeatab as rb

    data = TABLES[table]()

    def call() -> Any:
        fitted = rb.fit_components(data, result="mu", random=RANDOM[table], fixed=["lot"])
        return fitted.contrast("lot", "L2", reference="L1")

    return call, versions("numpy", "scipy", "pandas"), lambda c: {"df": c.df, "f": (c.estimate / c.se) ** 2}


def characteristics(source: str, groups: str) -> Any:
    from designs import CROSSED
    from designs import characteristics as table

    import repeatab as rb
    from repeatab.cells import reduce_to_cells

    data: Any = table(int(groups))
    if source == "cells":
        data = reduce_to_cells(data, result="mu", factors=["section", "rig", "pad_set"])

    def call() -> Any:
        fitted = rb.fit_components(data, result="mu", random=CROSSED, by=["section"])
        fitted.components["variance"]
        return fitted

    return call, versions("numpy", "pandas"), lambda fitted: {"per_group": 1 / len(fitted.groups)}


def growth(what: str, size: str) -> Any:
    """One fit of a table that grows in rows, in levels or in sections."""
    from designs import CROSSED, sparse, two_way
    from designs import characteristics as sections

    import repeatab as rb

    n = int(size)
    table, random, by = {
        "rows": lambda: (two_way(12, 200, n // 2400), CROSSED, ()),
        "levels": lambda: (sparse(50, n), ("rig", "pad_set"), ()),
        "sections": lambda: (sections(n), CROSSED, ("section",)),
    }[what]()

    def call() -> Any:
        fitted = rb.fit_components(table, result="mu", random=random, by=by)
        fitted.components["variance"]
        return fitted

    return call, versions("numpy", "scipy", "pandas"), lambda _: {}


def loop_of_anova(groups: str) -> Any:
    import pingouin
    from designs import characteristics as table

    parts = [part for _, part in table(int(groups)).groupby("section")]

    def call() -> Any:
        return [pingouin.anova(part, dv="mu", between=["rig", "pad_set"], detailed=True) for part in parts]

    return call, versions("pingouin"), lambda found: {"per_group": 1 / len(found)}


def archive_cells(path: str) -> Any:
    from designs import ARCHIVE_KEYS

    from repeatab.cells import reduce_to_cells

    def call() -> Any:
        import duckdb

        frame = duckdb.connect().read_parquet(path)
        return reduce_to_cells(frame, result="mu", factors=ARCHIVE_KEYS)

    return call, versions("duckdb", "narwhals"), lambda cells: {"cells": len(cells), "rows": cells.rows}


def archive_query(path: str) -> Any:
    from designs import ARCHIVE_KEYS

    keys = ", ".join(ARCHIVE_KEYS)

    def call() -> Any:
        import duckdb

        query = f"SELECT {keys}, count(*), avg(mu), var_samp(mu) FROM read_parquet('{path}') GROUP BY {keys}"
        return duckdb.connect().sql(query).fetchnumpy()

    return call, versions("duckdb"), lambda found: {"cells": len(found["rig"])}


def pivotal(draws: str) -> Any:
    import numpy as np
    from designs import CROSSED, TABLES

    import repeatab as rb
    from repeatab.estimation.pivotal import pivotal_components

    part = rb.fit_components(TABLES["small"](), result="mu", random=CROSSED).blocks[0]
    part.variances  # noqa: B018 -- computed before the clock starts
    rng = np.random.default_rng(1)

    def call() -> Any:
        found = pivotal_components(part, 0, draws=int(draws), rng=rng)
        return np.quantile(found.sum(axis=1), [0.025, 0.975])

    return call, versions("numpy"), lambda _: {}


def chi_squares(draws: str) -> Any:
    import numpy as np

    rng = np.random.default_rng(1)
    dfs = (2, 9, 18, 60)

    def call() -> Any:
        return [rng.chisquare(df, int(draws)) for df in dfs]

    return call, versions("numpy"), lambda _: {}


TASKS: dict[str, Callable[..., Any]] = {
    part.__name__: part
    for part in (
        fit, mixedlm, contrast, characteristics, growth, loop_of_anova, archive_cells, archive_query, pivotal,
        chi_squares,
    )
}  # fmt: skip


def timed(call: Call) -> tuple[Any, float, float]:
    """What the call returns, its seconds, and the seconds of the processor that it took."""
    began, busy = time.perf_counter(), time.process_time()
    found = call()
    return found, time.perf_counter() - began, time.process_time() - busy


def main(task: str, *arguments: str, longest: float = 2.0) -> None:
    call, version, values = TASKS[task](*arguments)
    found, first, busy = timed(call)  # imports and caches
    spent, calls = 0.0, 0
    # A call of many seconds is its own warm-up.
    if first > 20:
        print("seconds", first, busy)
    while first <= 20 and (calls < 3 or (spent < longest and calls < 50)):
        found, took, busy = timed(call)
        print("seconds", took, busy)
        spent, calls = spent + took, calls + 1
    for name, value in values(found).items():
        print("value", name, repr(float(value)))
    status = Path("/proc/self/status")
    if status.exists():
        peak = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        print("peak_mib", int(peak.split()[1]) / 1024)
    print("version", f"Python {sys.version.split()[0]},", version)


if __name__ == "__main__":
    main(*sys.argv[1:])
