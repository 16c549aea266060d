"""The study file of a lot comparison: what it becomes, and what is refused with which words."""

from __future__ import annotations

from pathlib import Path

import pytest

from repeatab.base.errors import StudyError
from repeatab.base.margin import Margin, MarginUnit
from repeatab.jobs.lots.question import LotComparison, RigsAs
from repeatab.study.loading import load_study
from repeatab.study.start import write_template

ROOT = Path(__file__).parents[2]

LOTS = """\
job = "lot_comparison"
title = "L2 against L1"
lots = "L2"
reference_lot = "L1"

[results]
files = "lots.csv"
quantity = "friction"

[columns]
result = "mu"
pad_lot = "lot"
pad_set = "set"
section = "section"

[sections."fade 1"]
margin = "5 %"
"""


def test_the_file_becomes_the_question(load):
    base = LOTS.replace(
        'lots = "L2"',
        'lots = ["L2", "L3"]\nrigs = "random"\nremove_wear = true\npercent_of_reference = 15\nlooks = [4, 8]',
    )
    section = 'margin = "5 %"\nspecification = { lower = 0.3 }\n[guard_band]\nreproducibility = 0.008'
    study = load('margin = "5 %"', section, base=base)
    question = study.question
    assert isinstance(question, LotComparison)
    assert question.pairs == (("L2", "L1"), ("L3", "L1"))
    assert question.rigs is RigsAs.RANDOM
    assert question.remove_wear is True
    assert question.percent_of_reference == 15
    assert question.looks == (4, 8)
    assert question.guard is not None
    assert question.guard.of_mean(4) == 0.008
    (section,) = question.sections
    assert section.margin == Margin(size=5, unit=MarginUnit.PERCENT)
    assert section.specification is not None
    assert (section.specification.lower, section.specification.upper) == (0.3, None)


def test_what_is_not_stated_is_decided_by_the_design(load):
    question = load(base=LOTS).question
    assert question.remove_wear is None
    assert question.rigs is RigsAs.BLOCKS
    assert question.guard is None
    assert question.looks == ()


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('reference_lot = "L1"\n', "", ["reference_lot: is missing", "'L2'", "every pair"]),
        ('lots = "L2"', "lots = []", ["lots: found a list", '["P2601", "P2605"]']),
        ('lots = "L2"', 'lots = ["L2", "L1"]', ["names a lot twice"]),
        ('margin = "5 %"', "", ["sections.fade 1.margin: is missing", "largest difference between lots"]),
        ('margin = "5 %"', "margin = 5", ["no two plausible results differ", 'margin = "5 %"']),
        ('margin = "5 %"', "margin = 0", ["expected a positive number"]),
        ('margin = "5 %"', "margin = -0.02", ["expected a positive number"]),
        ('pad_lot = "lot"\n', "", ["columns.pad_lot: is missing"]),
        ('pad_set = "set"\n', "", ["columns.pad_set: is missing", "two runs of one set"]),
        ('margin = "5 %"', 'margin = "5 %"\nspecification = { lower = 0.3 }', ["guard_band: is missing", "'fade 1'"]),
        ('margin = "5 %"', 'margin = "5 %"\nspecification = { lower = 0.4, upper = 0.3 }', ["expected lower < upper"]),
        ('margin = "5 %"', 'margin = "5 %"\n[guard_band]\nrepeatability = 0.004', ["expected reproducibility"]),
        ('lots = "L2"', 'lots = "L2"\nrigs = "fixed"', ["rigs: found 'fixed'", "'blocks', 'random'"]),
        ('lots = "L2"', 'lots = "L2"\nblocks = ["disc_batch"]', ["blocks: 'disc_batch' has no column", "[columns]"]),
        ('lots = "L2"', 'lots = "L2"\nblocks = ["pad_set"]', ["blocks: found 'pad_set'"]),
        ('lots = "L2"', 'lots = "L2"\npercent_of_reference = 0', ["expected a percentage such as 15"]),
        ('lots = "L2"', 'lots = "L2"\nlooks = [8, 4]', ["looks: found [8, 4]", "rising numbers of sets per lot"]),
        ('lots = "L2"', 'lots = "L2"\nreference_lots = "L1"', ["unknown key 'reference_lots'", "'reference_lot'"]),
    ],
)  # fmt: skip
def test_refusals_name_the_key_and_what_to_do(refusal, old, new, says):
    text = refusal(old, new, base=LOTS)
    for part in says:
        assert part in text


def test_the_template_asks_for_the_margin(tmp_path):
    path = tmp_path / "lots.toml"
    write_template("lot_comparison", path)
    # As written the template names no column for the lot; its first lines say so.
    with pytest.raises(StudyError, match=r"columns\.pad_lot: is missing"):
        load_study(path)
    path.write_text(path.read_text(encoding="utf-8").replace("#pad_lot", "pad_lot"), encoding="utf-8")
    with pytest.raises(StudyError, match=r"sections\.characteristic\.margin: is missing"):
        load_study(path)


def test_the_demo_study_loads():
    question = load_study(ROOT / "studies" / "lot_comparison.toml").question
    assert question.pairs == (("P2601", "P2511"), ("P2605", "P2511"))
