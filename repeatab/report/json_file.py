"""result.json: the complete machine-readable form of an Outcome, byte-identical for equal outcomes."""

from __future__ import annotations

from repeatab.outcome.outcome import Outcome
from repeatab.outcome.serialise import to_json_bytes

NAME = "result.json"


def result_bytes(outcome: Outcome) -> bytes:
    """The bytes of result.json."""
    return to_json_bytes(outcome)
