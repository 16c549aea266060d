"""Text that users choose cannot break lines, files, or the sentence it stands in."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from repeatab.report.words import file_stem, printable, prose, row_ranges, title_case


@given(st.text())
def test_printable_text_is_one_line_without_control_characters(text: str) -> None:
    found = printable(text)
    assert not any(unicodedata.category(letter) in ("Cc", "Zl", "Zp", "Cs") for letter in found)
    assert found == printable(found)
    found.encode("utf-8")


def test_printable_keeps_what_people_write() -> None:
    assert printable("μ = 0.41 ± 0.02, 🚗 „Größe“ 摩擦") == "μ = 0.41 ± 0.02, 🚗 „Größe“ 摩擦"
    assert printable("a\x1b[31m\u202eb\n c") == "a\ufffd[31m\ufffdb c"


@given(st.text())
def test_a_file_stem_is_safe_everywhere(text: str) -> None:
    stem = file_stem(text)
    assert stem
    assert set(stem) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert len(stem) <= 80
    assert stem not in ("con", "prn", "aux", "nul", "com1", "lpt1")


def test_file_stems_are_plain_for_our_keys_and_differ_for_different_ones() -> None:
    assert file_stem("offsets_by_section") == "offsets-by-section"
    stems = {file_stem(key) for key in ("a/b", "a b", "../a-b", "A_B", "a-b", "ä-b", "con", "CON", "")}
    assert len(stems) == 9


def test_prose_sets_signs() -> None:
    assert prose("from -0.01 to 0.02 (-3), ± 5 %, p < 0.05") == (
        "from −0.01 to 0.02 (−3), ±\u00a05\u00a0%, p <\u00a00.05"
    )
    assert prose("lot L23-07 of 2024-03-31, pages 983-997") == "lot L23-07 of 2024-03-31, pages 983-997"


def test_row_numbers_are_joined() -> None:
    assert row_ranges((5, 3, 4, 9, 3)) == "3–5, 9"
    assert row_ranges(range(1, 101, 2), most=2) == "1, 3 and 48 more places"
    assert row_ranges(()) == ""


def test_a_key_becomes_a_heading() -> None:
    assert title_case("correlation_check") == "Correlation check"
