"""Contrast information: standard error and degrees of freedom of a difference of two levels in any layout, before any
run, if the components are as believed.

In: a design, its components, two levels.  Out: the numbers that exact power takes.
Generalised least squares for the standard error; degrees of freedom from the expected REML information on the
components (Giesbrecht & Burns 1985, Biometrics 41, 477-486; Fai & Cornelius 1996, J. Stat. Comput. Simul. 54,
363-378). In balanced layouts both are exact: those of the t test.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from repeatab.cells import FloatArray
from repeatab.estimation.contrasts import level_weights
from repeatab.layout.blocks import Block
from repeatab.layout.layout import Layout


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastInformation:
    """Standard error and degrees of freedom of mean_a - mean_b."""

    se: float
    df: float


def contrast_information(
    block: Block, layout: Layout, variances: FloatArray, factor: str, a: object, b: object
) -> ContrastInformation:
    """What a layout tells of the difference of two levels.

    Parameters
    ----------
    variances : (components,) in the order of the layout, repeatability last, which must be above zero.
    """
    x = _design(block, layout)
    weights = _contrast(layout, factor, a, b, x.shape[1])
    parts = _parts(block, layout)
    inverse = np.linalg.inv(_covariance(block, layout, variances))
    spread = np.linalg.pinv(x.T @ inverse @ x)
    estimator = weights @ spread @ x.T @ inverse
    left = inverse - inverse @ x @ spread @ x.T @ inverse
    gradient = np.array([estimator @ part @ estimator for part in parts])
    projected = [left @ part for part in parts]
    information = np.array([[0.5 * np.sum(p * q.T) for q in projected] for p in projected])
    # Repeats within a cell tell of repeatability alone.
    information[-1, -1] += 0.5 * float((block.count - 1).sum()) / variances[-1] ** 2
    squared = float(weights @ spread @ weights)
    uncertainty = float(gradient @ np.linalg.pinv(information) @ gradient)
    return ContrastInformation(se=float(np.sqrt(squared)), df=2 * squared**2 / uncertainty)


def contrast_correlations(
    block: Block, layout: Layout, variances: FloatArray, factor: str, pairs: Sequence[tuple[object, object]]
) -> FloatArray:
    """(pairs, pairs) correlation of the estimated differences, the first level of each pair less the second."""
    x = _design(block, layout)
    spread = np.linalg.pinv(x.T @ np.linalg.inv(_covariance(block, layout, variances)) @ x)
    rows = np.stack([_contrast(layout, factor, a, b, x.shape[1]) for a, b in pairs])
    covariance = rows @ spread @ rows.T
    root = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(root, root))


def _design(block: Block, layout: Layout) -> FloatArray:
    slopes = block.mean[0][:, 1:]
    return np.concatenate([layout.fixed.matrix, slopes - slopes.mean(axis=0)], axis=1)


def _contrast(layout: Layout, factor: str, a: object, b: object, columns: int) -> FloatArray:
    away = level_weights(layout.fixed, factor, a) - level_weights(layout.fixed, factor, b)
    return np.concatenate([away, np.zeros(columns - len(away))])


def _parts(block: Block, layout: Layout) -> list[FloatArray]:
    return [_pattern(layout.random[i].codes) for i in layout.estimated] + [np.diag(1 / block.count)]


def _covariance(block: Block, layout: Layout, variances: FloatArray) -> FloatArray:
    parts = _parts(block, layout)
    return sum((v * part for v, part in zip(variances, parts, strict=True)), np.zeros(parts[0].shape))


def _pattern(codes: np.ndarray) -> FloatArray:
    return np.asarray(codes[:, None] == codes[None, :], np.float64)
