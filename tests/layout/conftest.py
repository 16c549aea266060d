"""Designs written as rows of labels."""

from __future__ import annotations

import numpy as np
import pytest

from repeatab.cells import cells_of_arrays
from repeatab.layout.blocks import blocks_of
from repeatab.layout.layout import Layout, layout_of
from repeatab.layout.terms import model_of


@pytest.fixture
def layout_from():
    """The layout of rows of labels under a model: layout_from(["rig", "set"], rows, random=[...])."""

    def make(factors, rows, covariates=None, **model) -> Layout:
        rows = list(rows)
        values = {"mu": np.arange(len(rows), dtype=float), **(covariates or {})}
        columns = {name: [row[i] for row in rows] for i, name in enumerate(factors)}
        (block,) = blocks_of(cells_of_arrays(columns, values))
        return layout_of(block, model_of(covariates=list(covariates or {}), **model))

    return make
