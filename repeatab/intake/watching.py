"""Watching an engine at work: what a lazy table gives, with the rows done told on the way.

In: a lazy table, and who wants to know.  Out: its rows in memory.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import narwhals.stable.v2 as nw

from repeatab.base.progress import Progress, silent
from repeatab.intake.engine import Lazy

_SECONDS = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """Who is told how far a reduction is.

    connection : of the engine, where it can say so (DuckDB); rows : how many it has to go through.
    """

    progress: Progress = silent
    connection: Any = None
    rows: int = 0

    def collect(self, table: Lazy, step: str) -> nw.DataFrame[Any]:
        """The rows of a lazy table, computed by its engine in pieces where it can."""
        with self.telling(step):
            if table.implementation.is_polars():
                return table.collect(backend="polars", engine="streaming")
            return table.collect(backend="pyarrow")

    @contextmanager
    def telling(self, step: str) -> Iterator[None]:
        """Tell how far the engine is while it does one thing."""
        if self.connection is None or self.rows == 0:
            yield
            return
        over = threading.Event()
        teller = threading.Thread(target=self._tell, args=(step, over), daemon=True)
        self.progress(step, 0, self.rows)
        teller.start()
        try:
            yield
        finally:
            over.set()
            teller.join()
        self.progress(step, self.rows, self.rows)

    def _tell(self, step: str, over: threading.Event) -> None:
        while not over.wait(_SECONDS):
            percent = float(self.connection.query_progress())
            if percent > 0:
                self.progress(step, int(self.rows * min(percent, 100.0) / 100), self.rows)


NOBODY = Watch()
"""Nobody wants to know."""


def was_interrupted(error: BaseException) -> bool:
    """Whether an engine gave up because the user asked it to; each says so in its own way."""
    return isinstance(error, KeyboardInterrupt) or (
        isinstance(error, RuntimeError) and "query interrupted" in str(error).lower()
    )
