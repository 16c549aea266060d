"""What the package carries for its dossier is what the tests use."""

from __future__ import annotations

import importlib.util
from pathlib import Path

from repeatab.dossier.all_checks import all_checks
from repeatab.dossier.carried import names_of
from repeatab.dossier.quantities import quantities
from repeatab.dossier.rates import rate_sheets, sheet_of


def carry():
    spec = importlib.util.spec_from_file_location("dossier_carry", Path(__file__).with_name("carry.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_carried_files_are_copies_of_those_of_the_tests():
    copies = carry().wanted()
    remedy = "run: python tests/dossier/carry.py"
    for copy, source in copies.items():
        assert copy.is_file(), f"{copy.name} is not carried; {remedy}"
        assert copy.read_bytes() == source.read_bytes(), f"{copy.name} differs from {source}; {remedy}"
    carried = {f"{folder}/{name}" for folder in ("reference", "rates") for name in names_of(folder)}
    assert carried == {f"{copy.parent.name}/{copy.name}" for copy in copies}, remedy


def test_every_key_of_a_quantity_is_a_check_and_every_check_is_used():
    keys = [check.key for check in all_checks()]
    assert len(set(keys)) == len(keys)
    used = {key for entry in quantities() for key in entry.checks}
    assert used == set(keys)


def test_every_carried_sheet_has_a_title_a_date_and_whole_tables():
    for sheet in rate_sheets():
        assert sheet.title != sheet.name, sheet.name
        words = " ".join(
            [sheet.title, *(part for table in sheet.tables for part in table.before), *sheet.after]
        )
        assert "2026-" in words, f"{sheet.name} bears no date"
        for table in sheet.tables:
            assert table.rows, (sheet.name, table.heading)
            assert {len(row) for row in table.rows} == {len(table.heads)}


def test_rates_that_quantities_name_stand_in_the_carried_sheets():
    """A sheet that is carried has the columns and rows that quantities look for."""
    sheets = {sheet.name: sheet for sheet in rate_sheets()}
    for entry in quantities():
        for use in entry.rates:
            if use.sheet in sheets and use.column:
                assert sheets[use.sheet].numbers(use.column, where=use.where), (entry.name, use)


def test_a_sheet_is_read_from_its_text():
    text = (
        "# Title of it\n\n2026-01-02, `seed` 3.\nGoes on *here*.\n\n| layout | rate, % | kept |\n|---|---|---|\n"
        "| a \\| b | 4.9 ± 0.3 | yes |\n| c | -1.5 |\n\n## Next\n\n- one\n- two\n\n| x |\n|---|\n| 7 |\n\nThe end.\n"
    )
    sheet = sheet_of("some", text)
    assert (sheet.title, sheet.after) == ("Title of it", ("The end.",))
    first, second = sheet.tables
    assert first.before == ("2026-01-02, seed 3. Goes on here.",)
    assert first.rows == (("a | b", "4.9 ± 0.3", "yes"), ("c", "-1.5", ""))
    assert first.numbers("rate, %") == (4.9, -1.5)
    assert first.numbers("rate, %", where="c") == (-1.5,)
    assert first.numbers("no such") == ()
    assert (second.heading, second.before) == ("Next", ("one", "two"))
    assert sheet.numbers("x") == (7.0,)
