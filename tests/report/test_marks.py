"""No meaning hangs on colour alone, and every colour can be told from its ground and its neighbours."""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
import pytest

from repeatab.outcome.verdict import Verdict
from repeatab.report.marks import BAND_EDGE, INK, LOOKS, SOFT, Mark, mark_of, series_look, verdict_in

Array = npt.NDArray[np.float64]

# Source: Machado, Oliveira & Fernandes (2009), IEEE Trans. Vis. Comput. Graph. 15(6), 1291, severity 1.0.
VISION = {
    "normal": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}


def linear(colour: str) -> Array:
    """sRGB to linear light: IEC 61966-2-1."""
    parts = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def contrast(colour: str, ground: str = "#ffffff") -> float:
    """Source: W3C, Web Content Accessibility Guidelines 2.2, definition of contrast ratio."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    light, dark = sorted((float(linear(c) @ weights) for c in (colour, ground)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def lab(light: Array) -> Array:
    """Linear sRGB to CIE L*a*b* (CIE 15, white D65)."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = to_xyz @ np.clip(light, 0, 1) / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_contrast_formula_gives_the_known_extreme() -> None:
    assert contrast("#000000") == pytest.approx(21.0)


@pytest.mark.parametrize("colour", [INK, SOFT, *(look.colour for look in LOOKS.values())])
def test_text_colours_reach_the_contrast_for_text(colour: str) -> None:
    assert contrast(colour) >= 4.5
    assert contrast(colour, "#f3f6f7") >= 4.5


@pytest.mark.parametrize("colour", [BAND_EDGE, *(series_look(i).colour for i in range(6))])
def test_drawn_colours_reach_the_contrast_for_graphics(colour: str) -> None:
    assert contrast(colour) >= 3.0


@pytest.mark.parametrize("vision", list(VISION))
def test_series_stay_apart_for_every_kind_of_colour_vision(vision: str) -> None:
    seen = [lab(VISION[vision] @ linear(series_look(i).colour)) for i in range(6)]
    for first, second in itertools.combinations(seen, 2):
        assert np.linalg.norm(first - second) > 14


def test_no_two_of_many_series_look_the_same() -> None:
    looks = [series_look(i) for i in range(36)]
    assert len(set(looks)) == 36
    assert len({look.marker for look in looks[:6]}) == 6
    assert len({look.dashes for look in looks[:6]}) == 6


def test_kinds_of_answer_differ_in_shape_not_only_in_colour() -> None:
    shapes = {(look.marker, look.filled) for look in LOOKS.values()}
    assert len(shapes) == len(LOOKS) == len(Mark)
    assert {mark_of(verdict) for verdict in Verdict} == set(Mark)


def test_a_text_is_recognised_by_the_verdict_it_begins_with() -> None:
    assert verdict_in("not acceptable") is Verdict.NOT_ACCEPTABLE
    assert verdict_in("different, and it matters") is Verdict.DIFFERENT
    assert verdict_in("unheard of") is None
