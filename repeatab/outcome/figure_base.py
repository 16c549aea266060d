"""What every figure has: its key, the question it answers, and one sentence that tells what to see in it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureBase:
    key: str
    title: str
    reading: str
    unit: str
