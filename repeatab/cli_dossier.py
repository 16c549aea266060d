"""The command `repeatab dossier`: a page for the laboratory's validation file, made on its own installation.

In: where it goes.  Out: an HTML file, text, and an exit status: 0 every published value came out, 3 some did not, 2 the
file cannot be written.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from repeatab.terminal import answering, say, show_progress

if TYPE_CHECKING:
    from repeatab.dossier.checks import Checked

DIFFERS = 3
"""Exit status where a published value did not come out."""


def dossier(
    context: typer.Context,
    to: Annotated[Path, typer.Option("--to", metavar="FILE", help="The page that is written.")] = Path(
        "method_dossier.html"
    ),
    day: Annotated[
        str | None, typer.Option("--date", metavar="DAY", help="The day on the page; today if not said.")
    ] = None,
) -> None:
    """Check this installation against published values, and write the dossier of methods."""
    with answering(context):
        from datetime import date

        from repeatab.dossier.make import write_dossier
        from repeatab.run import versions

        with show_progress() as progress:
            found = write_dossier(
                to, day=day or date.today().isoformat(), versions=versions(), progress=progress
            )
        say(_told(found, to))
        status = 0 if all(one.agrees for one in found) else DIFFERS
    raise typer.Exit(status)


def _told(found: tuple[Checked, ...], to: Path) -> str:
    values = sum(len(one.values) for one in found)
    lines = [
        f"{sum(one.agreeing for one in found)} of {values} published values came out, in {len(found)} checks."
    ]
    for one in found:
        if not one.agrees:
            lines.append(f"- Not in agreement: {one.check.title}. {one.error}".rstrip())
            lines += [
                f"  {value.what}: published {value.stated:.10g}, found {value.found:.10g}"
                for value in one.values
                if not value.agrees
            ]
    lines.append(f"Dossier: {to}")
    return "\n".join(lines)
