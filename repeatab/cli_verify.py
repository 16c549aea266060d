"""The command `repeatab verify`: whether a stored outcome comes out again from its inputs.

In: a result.json.  Out: text, and an exit status: 0 every value is the same, 3 some are not, 2 an input is at fault
(changed, missing, not to be read), 1 a defect of ours. Nothing is written and nothing is recorded.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from repeatab.terminal import INPUT_AT_FAULT, answering, say, say_on_stderr, show_progress

if TYPE_CHECKING:
    from repeatab.outcome.compare import Comparison
    from repeatab.rerun import Rerun

DIFFERS = 3
"""Exit status where the study ran and something came out that is not what is stored."""

_MOST = 40
"""Differences that are listed unless all are asked for."""


def verify(
    context: typer.Context,
    result: Annotated[
        Path, typer.Argument(metavar="RESULT", help="The result.json of a report, or the report's folder.")
    ],
    study: Annotated[
        Path | None,
        typer.Option(
            "--study", metavar="FILE", help="The study file; looked for near the report if not said."
        ),
    ] = None,
    ledger: Annotated[
        str | None,
        typer.Option("--ledger", metavar="FILE-or-URL", help="The ledger that the outcome drew on."),
    ] = None,
    everything: Annotated[bool, typer.Option("--all", help="List every difference.")] = False,
) -> None:
    """Run a stored outcome again and compare every value; exit status 3 if one differs."""
    with answering(context):
        from repeatab.rerun import rerun

        with show_progress() as progress:
            found = rerun(result, study=study, ledger=ledger, progress=progress)
        status = _told(found, None if everything else _MOST)
    raise typer.Exit(status)


def _told(found: Rerun, most: int | None) -> int:
    """Say what came of it; the exit status."""
    if found.comparison is None:
        _say_faults(found)
        return INPUT_AT_FAULT
    say(_made_from(found))
    say(_compared(found.comparison, most))
    if found.comparison.agrees:
        return 0
    if found.versions:
        say(
            "The versions are not those of the stored outcome; whether they are the reason shows a run with those."
        )
    return DIFFERS


def _say_faults(found: Rerun) -> None:
    say_on_stderr(
        "The inputs are not those that the stored outcome was made from, so it cannot be made again:"
    )
    for fault in found.faults:
        say_on_stderr(f"- {fault}")


def _made_from(found: Rerun) -> str:
    """From what the outcome was made again."""
    lines = [f"{found.stored.title}: run again from {found.study}, fingerprint as stored."]
    lines.append(
        f"Inputs: {found.inputs}, every fingerprint as stored." if found.inputs else "Inputs: no result file."
    )
    if found.past:
        lines.append(f"Ledger: {found.past}.")
    changes = "; ".join(map(str, found.versions))
    lines.append(f"Versions: {changes or 'the same'}.")
    return "\n".join(lines)


def _compared(comparison: Comparison, most: int | None) -> str:
    from repeatab.outcome.compare import TOLERANCE

    counted = (
        f"{comparison.verdicts} verdicts, {comparison.numbers} numbers, {comparison.texts} texts and settings"
    )
    if comparison.agrees:
        return (
            f"Reproduced: {counted} are the same, numbers to {TOLERANCE:g} of their size "
            f"(largest difference {comparison.largest:.1g})."
        )
    differences = comparison.differences
    lines = [f"Not reproduced: {len(differences)} of {counted} differ:"]
    lines += [f"- {one}" for one in differences[:most]]
    if most is not None and len(differences) > most:
        lines.append(f"and {len(differences) - most} more; --all lists them.")
    return "\n".join(lines)
