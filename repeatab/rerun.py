"""Making a stored outcome again from its fingerprinted inputs, and holding the two side by side.

In: a result.json; where its study file and its ledger are, if that has to be said.  Out: a Rerun.
Nothing is written and nothing is recorded. Not here: what the command prints (cli_verify.py).
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from repeatab.base.errors import InputError
from repeatab.base.files import fingerprint
from repeatab.base.progress import Progress, silent
from repeatab.outcome.compare import Comparison, compare_outcomes
from repeatab.outcome.outcome import FROM_LEDGER, HISTORY, REACHED, InputFile, Outcome, Provenance
from repeatab.outcome.serialise import from_json_bytes
from repeatab.run import answer_study, plan_study, versions
from repeatab.study.loading import Study, load_study

if TYPE_CHECKING:
    from repeatab.ledger.store import Ledger

_FOLDERS_ABOVE = 3
"""How far above a report its study file is looked for: out/NAME/ lies two below the folder that is worked in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFault:
    """An input that is not what the stored outcome was made from. `found` is empty where there is no such input."""

    name: str
    expected: str
    found: str
    remedy: str

    def __str__(self) -> str:
        expected = f"SHA-256 {self.expected}" if self.expected else "no such input"
        found = f"SHA-256 {self.found}" if self.found else "no such input"
        return f"{self.name}: expected {expected}, found {found}. {self.remedy}"


@dataclass(frozen=True, slots=True, kw_only=True)
class VersionChange:
    """A library, Python or this package in another version than then; empty where it was or is not there."""

    name: str
    then: str
    now: str

    def __str__(self) -> str:
        return f"{self.name} {self.then or 'not there'} then, {self.now or 'not there'} now"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rerun:
    """A stored outcome and what came of making it again.

    faults : inputs that changed or are gone; the comparison is None then, because it would compare something else.
    past : what the ledger was asked for, in words; empty without one.
    """

    study: Path
    stored: Outcome
    inputs: int
    faults: tuple[InputFault, ...]
    versions: tuple[VersionChange, ...]
    comparison: Comparison | None
    past: str = ""


def rerun(
    result: str | Path,
    *,
    study: str | Path | None = None,
    ledger: str | Path | None = None,
    progress: Progress = silent,
) -> Rerun:
    """Make the outcome in a result.json again and compare every value with what is stored.

    Parameters
    ----------
    study : its study file. If not given, a file of the stored name is looked for beside the result, in three folders
        above it, in the working folder, and in the folders directly in any of these; the fingerprint tells the right
        one.
    ledger : file or URL of the ledger that the outcome drew on; the one that the study names if not given. It is
        asked as it stood before the outcome was recorded in it, or as it stands if the outcome is not recorded there.

    Raises
    ------
    RepeatabError
        The file is no result of ours, was not made from a study file, or its study file or ledger is not found or
        cannot be read; or the study cannot be run.
    """
    stored = read_result(Path(result))
    made = stored.provenance
    where = Path(study) if study is not None else find_study(made, Path(result))
    changes = version_changes(made)
    faults = (*_study_faults(where, made), *_input_faults(where.parent, made.inputs))
    if faults:
        return Rerun(
            study=where, stored=stored, inputs=len(made.inputs), faults=faults, versions=changes, comparison=None
        )  # fmt: skip
    found, past = _again(load_study(where), stored, ledger, progress)
    faults = _other_inputs(made.inputs, found.provenance.inputs)
    return Rerun(
        study=where, stored=stored, inputs=len(made.inputs), faults=faults, versions=changes, past=past,
        comparison=None if faults else compare_outcomes(stored, found),
    )  # fmt: skip


def read_result(path: Path) -> Outcome:
    """The outcome in a result.json.

    Raises
    ------
    InputError
        The file cannot be read or is no result of ours, or the outcome was not made from a study file.
    """
    path = path / "result.json" if path.is_dir() else path
    try:
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: cannot be read ({reason}). Name the result.json of a report.") from None
    stored = from_json_bytes(content, name=str(path))
    if _stated(stored.provenance)[0] is None:
        raise InputError(
            f"{path}: the outcome was made from Python and names no study file, so it cannot be run again from here. "
            "Run the program that made it and compare the two result.json."
        )
    return stored


def _stated(made: Provenance) -> tuple[str | None, str]:
    """Name and fingerprint of the study file."""
    settings = dict(made.settings)
    return settings.get("study file"), settings.get("study file sha256", "")


def find_study(made: Provenance, result: Path) -> Path:
    """The study file of a stored outcome: the one with the stored fingerprint, else one with its name.

    Raises
    ------
    InputError
        There is none of that name.
    """
    name, sha256 = _stated(made)
    assert name is not None
    folder = result.absolute() if result.is_dir() else result.absolute().parent
    places = dict.fromkeys([folder, *list(folder.parents)[:_FOLDERS_ABOVE], Path.cwd()])
    candidates = [path for place in places for path in _of_name(name, place)]
    for path in candidates:
        if fingerprint(path) == sha256:
            return _short(path)
    if candidates:
        return _short(candidates[0])
    raise InputError(
        f"{result}: its study file '{name}' is not found beside it, in the folders above it or in the working folder. "
        "Say where it is with --study."
    )


def _of_name(name: str, place: Path) -> Iterator[Path]:
    """Files of this name in a folder, and in the folders directly in it."""
    try:
        inside = sorted(
            entry for entry in place.iterdir() if not entry.name.startswith(".") and entry.is_dir()
        )
    except OSError:
        inside = []
    for folder in (place, *inside):
        path = folder / Path(name).name
        try:
            if path.is_file():
                yield path
        except OSError:
            continue


def _short(path: Path) -> Path:
    here = Path.cwd()
    return path.relative_to(here) if path.is_relative_to(here) else path


def _study_faults(where: Path, made: Provenance) -> Iterator[InputFault]:
    _, expected = _stated(made)
    found = _fingerprint_if_any(where)
    if found != expected:
        remedy = "Put the study file back as it was, or name it with --study; a changed study is a new one: run it."
        yield InputFault(name=str(where), expected=expected, found=found, remedy=remedy)


def _input_faults(folder: Path, inputs: Sequence[InputFile]) -> Iterator[InputFault]:
    for file in inputs:
        if file.name == FROM_LEDGER:
            continue  # known only after the ledger was asked
        found = _fingerprint_if_any(folder / file.name)
        if found != file.sha256:
            remedy = (
                "Put the file back as it was; results that changed make a new outcome: run the study."
                if found
                else f"Put it back, to be found from the folder of the study file ({folder})."
            )
            yield InputFault(name=file.name, expected=file.sha256, found=found, remedy=remedy)


def _fingerprint_if_any(path: Path) -> str:
    try:
        # Names come from a file: a device or a pipe is no input, and reading it would not end.
        return fingerprint(path) if path.is_file() else ""
    except (OSError, ValueError):
        return ""


def _other_inputs(stored: Sequence[InputFile], found: Sequence[InputFile]) -> tuple[InputFault, ...]:
    """Inputs that the run took and that are not the stored ones: more files, other records of the ledger."""
    then = {file.name: file.sha256 for file in stored}
    now = {file.name: file.sha256 for file in found}
    return tuple(
        InputFault(
            name=name, expected=then.get(name, ""), found=now.get(name, ""),
            remedy="Name with --ledger the ledger that the outcome drew on."
            if name == FROM_LEDGER
            else "The study's patterns now mean other files than then. Take the new ones away, or run the study anew.",
        )
        for name in dict.fromkeys((*then, *now))
        if then.get(name) != now.get(name)
    )  # fmt: skip


def version_changes(made: Provenance) -> tuple[VersionChange, ...]:
    """What is here in another version than the stored outcome was made with."""
    then, now = dict(made.versions), dict(versions())
    return tuple(
        VersionChange(name=name, then=then.get(name, ""), now=now.get(name, ""))
        for name in dict.fromkeys((*then, *now))
        if then.get(name) != now.get(name)
    )


def _again(
    study: Study, stored: Outcome, ledger: str | Path | None, progress: Progress
) -> tuple[Outcome, str]:
    """The outcome as it is found now, and what the ledger was asked for."""
    where = ledger if ledger is not None else study.history.ledger
    settings = dict(stored.provenance.settings)
    drew = HISTORY in settings or REACHED in settings
    if where is None and drew:
        raise InputError(
            "The stored outcome was made with a ledger, and the study names none. Name it with --ledger."
        )
    if where is None or not drew:
        return _answered(study, stored, None, progress), ""
    with _as_it_stood(where, stored) as (opened, told):
        return _answered(study, stored, opened, progress), told


def _answered(study: Study, stored: Outcome, ledger: Ledger | None, progress: Progress) -> Outcome:
    if stored.job == "plan":
        return plan_study(study, ledger=None if ledger is None else ledger.address.file, progress=progress)
    return answer_study(study, ledger=ledger, progress=progress)


@contextmanager
def _as_it_stood(where: str | Path, stored: Outcome) -> Iterator[tuple[Ledger, str]]:
    """The ledger before the outcome was recorded in it; as it stands where the outcome is not recorded."""
    from repeatab.ledger.entrance import enter

    opened = enter(where)
    from repeatab.ledger.as_it_stood import ledger_before, record_of

    reached = dict(stored.provenance.settings).get(REACHED)
    own = record_of(opened, stored) if reached is None else None
    if reached is not None:
        number, told = _number(reached, opened) + 1, f"{opened} as it stood at record {reached}"
    elif own is not None:
        number = own.number
        told = f"{opened} as it stood before record {number}, which holds this outcome"
    else:
        number = opened.head()[0] + 1
        told = f"{opened} as it stands, because this outcome is not recorded in it"
    with tempfile.TemporaryDirectory(prefix="repeatab-") as folder:
        yield ledger_before(opened, number, Path(folder) / "before.sqlite"), told


def _number(reached: str, ledger: Ledger) -> int:
    """The number of the last record that a plan could see."""
    last = ledger.head()[0]
    if not reached.isdecimal() or int(reached) > last:
        raise InputError(
            f"{ledger}: ends at record {last}, but the plan drew on it up to record {reached}. Name with --ledger the "
            "one it drew on."
        )
    return int(reached)
