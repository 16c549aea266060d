"""Outcome: everything a report shows, and nothing that depends on the clock or the machine's folders."""

from __future__ import annotations

from dataclasses import dataclass, field

from repeatab.base.notes import Note
from repeatab.outcome.figures import Figure
from repeatab.outcome.participants import Participant
from repeatab.outcome.tables import Table
from repeatab.outcome.verdict import Judgement

SCHEMA_VERSION = 1

FROM_LEDGER = "reference results of the ledger"
"""The name of an input that is no file."""
HISTORY = "history records"
"""The setting that says on which records of a ledger an outcome draws; it stands wherever a ledger was in play."""
REACHED = "history up to record"
"""The setting that says how far the ledger reached from which a plan takes its beliefs."""

CAUTIONS = (
    "A verdict here supports and never replaces the governing regulation, the customer's specification and "
    "the decision of the people authorised to release brakes.",
    '"No difference found" from few runs is not proof of equality. A pad or rig under suspicion stays '
    "blocked until the responsible person decides.",
    "Rotating inertia, hot parts, fluid under pressure and brake dust are handled under the laboratory's own "
    "safety rules.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DataFinding:
    """One finding of the checks made on the data: what, where, how grave.

    `rows` are 1-based row numbers as a spreadsheet shows them (the header line counts).
    """

    check: str
    text: str
    file: str = ""
    rows: tuple[int, ...] = ()
    blocks: bool = False

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """An input as it stood when it was read: its name relative to the study, SHA-256 and number of rows."""

    name: str
    sha256: str
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NextRuns:
    """What to run next, in one sentence, with the table behind it (None when nothing needs to run)."""

    sentence: str
    table: Table | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodNote:
    """How one quantity was computed and where the method is published."""

    quantity: str
    method: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """What is needed to get the same numbers again."""

    inputs: tuple[InputFile, ...] = ()
    settings: tuple[tuple[str, str], ...] = ()
    seed: int | None = None
    versions: tuple[tuple[str, str], ...] = ()
    as_of: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a study found.

    `headline` is the overall judgement; `judgements` those per section or question; `evidence` the sentences
    the headline rests on; `cannot_tell` what this design leaves open. Tables and figures are data; `numbers`
    are the key figures by stable name for programs; `participants` are the pages of a round robin that go to its
    participants.
    """

    job: str
    title: str
    headline: Judgement
    judgements: tuple[Judgement, ...]
    evidence: tuple[str, ...]
    cannot_tell: tuple[str, ...] = ()
    next_runs: NextRuns | None = None
    tables: tuple[Table, ...] = ()
    figures: tuple[Figure, ...] = ()
    notes: tuple[Note, ...] = ()
    findings: tuple[DataFinding, ...] = ()
    methods: tuple[MethodNote, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    numbers: tuple[tuple[str, float | None], ...] = ()
    participants: tuple[Participant, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)

    def table(self, key: str) -> Table:
        """The table with this key; KeyError names the keys there are."""
        for table in self.tables:
            if table.key == key:
                return table
        raise KeyError(f"no table '{key}'; there are {[table.key for table in self.tables]}")

    def __str__(self) -> str:
        lines = [self.title, str(self.headline), *(f"- {sentence}" for sentence in self.evidence)]
        if self.next_runs is not None:
            lines.append(f"What to run next: {self.next_runs.sentence}")
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        from html import escape

        items = "".join(f"<li>{escape(sentence)}</li>" for sentence in self.evidence)
        rest = "".join(f"<p>{escape(str(judgement))}</p>" for judgement in self.judgements)
        head = f"<h3>{escape(self.title)}</h3><p><strong>{escape(str(self.headline))}</strong></p>"
        return f"{head}<ul>{items}</ul>{rest}"
