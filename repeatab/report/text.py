"""The answer in a few lines for a terminal or a log: verdict first, then why, what to run next, and where."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from repeatab.outcome.outcome import Outcome
from repeatab.outcome.verdict import Judgement
from repeatab.report.words import printable

if TYPE_CHECKING:
    from repeatab.report.write import ReportFiles

WIDTH = 100
_MOST_SECTIONS = 12


def summary(outcome: Outcome, files: ReportFiles | None = None) -> str:
    """The outcome in plain text, at most 100 columns wide.

    Sections beyond the first dozen are counted, not listed; the page has them all.
    """
    lines = [*_filled(printable(outcome.title)), "", *_filled(_answer(outcome.headline))]
    lines += _filled(printable(outcome.headline.reason), "  ")
    if outcome.judgements:
        lines += ["", *_section_lines(outcome.judgements)]
    if outcome.next_runs is not None:
        lines += ["", *_filled(f"What to run next: {printable(outcome.next_runs.sentence)}")]
    if files is not None:
        # A path is never broken, so that it can be copied; one longer than the line goes on.
        lines.append("")
        if files.rigs is not None:
            lines.append(f"All rigs at a glance: {printable(str(files.rigs))}")
        lines.append(f"Report: {printable(str(files.page))}")
        lines += [f"Kept beside it, changed by hand: {printable(name)}" for name in files.kept]
    return "\n".join(lines)


def _answer(judgement: Judgement) -> str:
    tail = f", {judgement.qualifier.value}" if judgement.qualifier.value else ""
    return f"{printable(judgement.subject)}: {judgement.verdict.value.upper()}{tail}"


def _filled(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent) or [""]


def _section_lines(judgements: tuple[Judgement, ...]) -> list[str]:
    shown = judgements[:_MOST_SECTIONS]
    words = [_word(judgement) for judgement in shown]
    # Names may take what the words leave of a line.
    room = WIDTH - len("    ") - max(len(word) for word in words)
    names = [_short(judgement.subject, room) for judgement in shown]
    left = max(len(name) for name in names)
    lines = [f"  {name:<{left}}  {word}" for name, word in zip(names, words, strict=True)]
    rest = judgements[_MOST_SECTIONS:]
    if rest:
        kinds = dict.fromkeys(judgement.verdict.value for judgement in rest)
        counts = [f"{sum(j.verdict.value == kind for j in rest)} {kind}" for kind in kinds]
        lines += _filled(f"and {len(rest)} more: {', '.join(counts)}", "  ")
    return lines


def _short(subject: str, room: int) -> str:
    name = printable(subject)
    return textwrap.shorten(name, room, placeholder="…") if " " in name else name[:room]


def _word(judgement: Judgement) -> str:
    tail = f", {judgement.qualifier.value}" if judgement.qualifier.value else ""
    return f"{judgement.verdict.value}{tail}{'' if judgement.decides else ' (informs only)'}"
