"""The command `repeatab cells`: what a laboratory sends instead of its results.

In: a result file or a study file, and the laboratory's code.  Out: a cell file.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from repeatab.terminal import answering, read_options, role_and_column, say, show_progress, with_engine

if TYPE_CHECKING:
    from repeatab.cells import Cells
    from repeatab.intake.options import ReadOptions
    from repeatab.intake.results import Results


def cells(
    context: typer.Context,
    results: Annotated[
        str, typer.Argument(metavar="RESULTS", help="A result file, a pattern in quotes, or a study file.")
    ],
    to: Annotated[Path, typer.Option("--to", metavar="FILE", help="The cell file that is written.")],
    laboratory: Annotated[
        str | None,
        typer.Option("--laboratory", metavar="CODE", help="The laboratory, where no column names it."),
    ] = None,
    column: Annotated[
        list[str] | None,
        typer.Option("--column", metavar="ROLE=COLUMN", help="What a column holds; guessed if not said."),
    ] = None,
    by: Annotated[
        list[str] | None,
        typer.Option("--by", metavar="FACTOR", help="A further factor of the cells, such as rig."),
    ] = None,
    engine: Annotated[
        str | None,
        typer.Option(
            "--engine", metavar="ADDRESS", help="A Dask scheduler whose machines share the reading."
        ),
    ] = None,
    separator: Annotated[str, typer.Option(help="comma, semicolon, tab")] = "automatic",
    decimal: Annotated[str, typer.Option(help="point, comma")] = "automatic",
    thousands: Annotated[str, typer.Option(help="none, point, comma, space, apostrophe")] = "automatic",
    encoding: Annotated[str, typer.Option(help="utf-8, utf-16, cp1252")] = "automatic",
    sheet: Annotated[str | None, typer.Option(help="The sheet of a workbook.")] = None,
    quantity: Annotated[str, typer.Option(help="What is measured; sets the plausible range.")] = "friction",
) -> None:
    """Write counts, means and sums of squares for a round robin, without the results."""
    with answering(context):
        from repeatab.cell_files import cell_file_bytes

        options = read_options(separator, decimal, thousands, encoding, sheet)
        factors = tuple(by or ())
        if results.lower().endswith(".toml"):
            made, runs = _shared(_of_laboratory(_of_study(Path(results), engine), laboratory), factors)
        else:
            reading = _Reading(results, column or [], options, quantity)
            made, runs = (
                _shared(_of_laboratory(_of_files(reading), laboratory), factors)
                if engine is None
                else _from_machines(reading, engine, laboratory, factors)
            )
        content = cell_file_bytes(made, quantity=runs.quantity.key, results=runs.inputs)
        _write(to, content)
        say(_told(made, runs, to))


def _shared(runs: Results, by: tuple[str, ...]) -> tuple[Cells, Results]:
    from repeatab.cell_files import cells_to_share

    with show_progress() as progress:
        return cells_to_share(runs, by=by, progress=progress), runs


def _write(to: Path, content: bytes) -> None:
    from repeatab.base.errors import InputError
    from repeatab.base.files import write_atomically
    from repeatab.cell_files import is_cell_file

    if to.exists() and not is_cell_file(to):
        raise InputError(f"{to}: exists and is no cell file, so it is not overwritten. Choose another name.")
    try:
        write_atomically(to, content)
    except OSError as error:
        raise InputError(
            f"{to}: cannot be written ({error.strerror or error}). Choose another place."
        ) from None


def _of_study(path: Path, engine: str | None) -> Results:
    from repeatab.run import run_results, study_results
    from repeatab.study.loading import load_study

    study = with_engine(load_study(path), engine)
    with show_progress() as progress:
        return run_results(study, study_results(study, progress=progress))


@dataclass(frozen=True, slots=True)
class _Reading:
    """A result file or pattern and how the command line says to read it."""

    files: str
    columns: list[str]
    options: ReadOptions
    quantity: str

    def mapping(self) -> dict[str, str]:
        """Role -> column, as stated and else as guessed."""
        from repeatab.study.guess import guess_columns

        stated = dict(role_and_column(text) for text in self.columns)
        guessed = {} if "result" in stated else guess_columns(self.files, self.options)
        return {**{role: name for role, name in guessed.items() if name not in stated.values()}, **stated}


def _of_files(reading: _Reading) -> Results:
    from repeatab.intake.reading import read_results
    from repeatab.study.parts import quantity_from

    with show_progress() as progress:
        return read_results(
            reading.files, columns=reading.mapping(), options=reading.options,
            quantity=quantity_from(reading.quantity), progress=progress,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _CellsOfPiece:
    """What a machine makes of the files it reads: their cells, or nothing of files without a usable row."""

    laboratory: str | None
    by: tuple[str, ...]

    def __call__(self, results: Results) -> Cells | None:
        from repeatab.cell_files import cells_to_share

        if not results.row_count:
            return None
        return cells_to_share(_of_laboratory(results, self.laboratory), by=self.by)


def _from_machines(
    reading: _Reading, engine: str, laboratory: str | None, by: tuple[str, ...]
) -> tuple[Cells, Results]:
    """Cells of each piece where it is read, merged here."""
    from repeatab.base.errors import InputError
    from repeatab.cell_files import merged_to_share
    from repeatab.intake.aliases import Aliases
    from repeatab.intake.machines import Machines
    from repeatab.intake.spread import Order, read_on_machines
    from repeatab.study.parts import quantity_from

    order = Order(
        columns=reading.mapping(), options=reading.options, aliases=Aliases(), exclude=(),
        quantity=quantity_from(reading.quantity), base=None, make=_CellsOfPiece(laboratory, by),
    )  # fmt: skip
    with show_progress() as progress:
        spread = read_on_machines(reading.files, order, Machines(engine), progress=progress)
    made = [cells for cells in spread.made if cells is not None]
    if not made:
        raise InputError(f"{reading.files}: No usable result is left. Correct the data or the columns named.")
    return merged_to_share(made), spread.results


def _of_laboratory(results: Results, code: str | None) -> Results:
    """The results under the code that is given."""
    from dataclasses import replace

    import narwhals.stable.v2 as nw

    from repeatab.base.errors import InputError

    if code is None:
        return results
    if results.has("laboratory"):
        raise InputError(
            f"--laboratory: found '{code}', but a column names the laboratory already. Leave one of the two out."
        )
    table = results.lazy().with_columns(nw.lit(code).alias("laboratory"))
    frame = table.to_native() if results.is_lazy else table.collect(backend="pandas").to_native()
    return replace(results, frame=frame, factors=(*results.factors, "laboratory"))


def _told(made: Cells, results: Results, to: Path) -> str:
    single = int((made.count == 1).sum())
    lines = [f"Wrote {to}: {made}."]
    lines += [f"- {finding}" for finding in results.findings]
    if single:
        lines.append(
            f"{single} of {len(made)} cells hold one result, and their mean is that result. Leave out --by, or send "
            "them if that does not matter."
        )
    lines.append(
        "The file holds no single results beyond that; it names the result file and its fingerprint."
    )
    return "\n".join(lines)
