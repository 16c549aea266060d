"""Charts and run rules as values: what they refuse, and what they say."""

import re

import pytest

from repeatab.base.errors import StudyError
from repeatab.control.charts import Cusum, Ewma, Shewhart
from repeatab.control.rules import PUBLISHED_RULES, Pattern, RunRule, rule_from_words


@pytest.mark.parametrize(
    ("build", "parts"),
    [
        (lambda: Shewhart(limit=0), ["limit", "0", "above 0"]),
        (
            lambda: Shewhart(limit=2, rules=(RunRule.one_side(2, of=3, sigmas=2),)),
            ["2 of 3", "limit of 2", "nearer"],
        ),
        (lambda: Shewhart(rules=("nine",)), ["'nine'", "RunRule"]),
        (lambda: Ewma(weight=1.2, limit=3), ["weight", "1.2", "at most 1"]),
        (lambda: Ewma(weight=0.2, limit=float("nan")), ["limit", "nan"]),
        (lambda: Cusum(reference=-0.5, decision=5), ["reference", "-0.5"]),
        (lambda: Cusum(reference=0.5, decision=0), ["decision", "0"]),
        (lambda: Cusum(reference=0.5, decision=4, head_start=3), ["head_start", "3", "2"]),
        (lambda: RunRule.one_side(4, of=3, sigmas=1), ["4 of 3"]),
        (lambda: RunRule.same_side(1), ["1 of 1", "limit"]),
        (lambda: RunRule.trend(2), ["2 points", "at least 3"]),
        (lambda: RunRule.close(9, sigmas=0), ["near the centre", "above 0"]),
        (lambda: RunRule(pattern=Pattern.AWAY, points=3, of=5, sigmas=1), ["3 of 5", "all of them"]),
        (lambda: rule_from_words("nine at one side"), ["nine at one side", "nine on one side"]),
    ],
)
def test_what_cannot_be_is_refused_with_the_value_found(build, parts):
    with pytest.raises(StudyError) as caught:
        build()
    for part in parts:
        assert part in str(caught.value)


def test_rules_say_themselves_in_words():
    said = {str(rule) for rule in PUBLISHED_RULES.values()}
    assert len(said) == len(PUBLISHED_RULES)
    assert str(RunRule.same_side(9)) == "9 points in a row on the same side of the centre"
    two = "2 of 3 points in a row more than 2 standard deviations from the centre, on the same side"
    assert str(RunRule.one_side(2, of=3, sigmas=2)) == two
    assert "1 standard deviation of" in str(RunRule.close(15))
    assert not any(re.search(r"rule \d|test \d|zone", text, re.IGNORECASE) for text in said)


def test_words_of_a_study_become_a_rule():
    assert rule_from_words("Nine  on one side") == RunRule.same_side(9)


def test_a_chart_says_its_limit_and_rules():
    text = str(Shewhart(rules=[RunRule.trend(6)]))
    assert "more than 3 standard deviations" in text
    assert "6 points in a row each higher" in text
    assert "weight 0.2" in str(Ewma(weight=0.2, limit=2.9))
    assert "decision 5" in str(Cusum(reference=0.5, decision=5))


def test_charts_are_values():
    assert Shewhart(rules=[RunRule.trend(6)]) == Shewhart(rules=(RunRule.trend(6),))
    assert len({Ewma(weight=0.2, limit=3), Ewma(weight=0.2, limit=3), Cusum(reference=0.5, decision=4)}) == 2
