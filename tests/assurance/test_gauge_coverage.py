"""Coverage of the intervals of a gauge study by simulation: each tail of R&R and its share, balanced and not.

Nominal: 2.5 % beyond each limit. Three rigs leave two degrees of freedom, which is where such intervals fail.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from repeatab.estimation.components import BlockFit, Method
from repeatab.judgement import capability as module
from repeatab.judgement.capability import Source, SourceRole, capabilities
from repeatab.layout.layout import layout_of
from repeatab.layout.terms import model_of
from repeatab.simulate import planned_block, simulate_block

MODEL = model_of(random=["rig", "pad_set", ("rig", "pad_set")])
SOURCES = (
    Source(names=("rig",), role=SourceRole.REPRODUCIBILITY),
    Source(names=("pad set",), role=SourceRole.PART),
    Source(names=("rig × pad set",), role=SourceRole.INTERACTION),
    Source(names=("repeatability",), role=SourceRole.REPEATABILITY),
)
SETTINGS = {
    "rigs differ": (0.007, 0.018, 0.003, 0.004),
    "rigs nearly alike": (0.001, 0.018, 0.001, 0.004),
}


def misses(setting, *, lost, studies, monkeypatch):
    """Per quantity the shares of studies whose true value lies below and above the interval."""
    monkeypatch.setattr(module, "UNBALANCED_DRAWS", 2_000)
    variances = np.array(SETTINGS[setting]) ** 2
    rng = np.random.default_rng(17)
    rig, pad = (x.ravel() for x in np.meshgrid(np.repeat(range(3), 3), range(8), indexing="ij"))
    kept = np.sort(rng.permutation(len(rig))[lost:])
    block = planned_block({"rig": rig[kept], "pad_set": pad[kept]})
    layout = layout_of(block, MODEL)
    drawn = simulate_block(block, layout, variances, 0.4, studies, rng)
    fit = BlockFit(block=drawn, layout=layout, method=Method.AUTO, level=0.95)
    generators = [np.random.default_rng(i) for i in range(studies)]
    found = capabilities(fit, SOURCES, generators=generators, pivot_draws=2_000)
    grr, total = variances[[0, 2, 3]].sum(), variances.sum()
    truth = {
        "grr": grr**0.5,
        "parts": variances[1] ** 0.5,
        "total_percent": 100 * (grr / total) ** 0.5,
        "consistency": variances[1] / (total - variances[0]),
    }
    result = {}
    for name, value in truth.items():
        intervals = [getattr(capability, name).interval for capability in found]
        result[name] = (
            np.mean([value < interval.lower for interval in intervals]),
            np.mean([value > interval.upper for interval in intervals]),
        )
    return result


@pytest.mark.parametrize("studies", [150, pytest.param(3000, marks=pytest.mark.full)], ids=["short", "full"])
@pytest.mark.parametrize("setting", SETTINGS)
@pytest.mark.parametrize("lost", [0, 6, 28])
def test_each_tail_of_the_intervals_holds(setting, lost, studies, monkeypatch):
    """Coverage over the grid of layouts is measured in test_interval_grid; here each tail is held by itself."""
    found = misses(setting, lost=lost, studies=studies, monkeypatch=monkeypatch)
    # 4.5 % are allowed for the approximation on the side that errs towards a larger R&R.
    allowed = stats.binom.isf(0.001, studies, 0.045) / studies
    for name, (below, above) in found.items():
        assert below <= allowed, (name, below)
        # The side that lets a bad measurement pass.
        limit = (
            stats.binom.isf(0.001, studies, 0.03) / studies if name in ("grr", "total_percent") else allowed
        )
        assert above <= limit, (name, above)
