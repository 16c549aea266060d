"""One thread: linear algebra on small matrices, kept from being divided among threads.

In: the size of the matrices.  Out: a context in which they are handled by one thread.

Matrices of some hundred columns gain little from a second thread and lose much on a machine that does something
else too: each of the many short calls then waits for a thread that is not running. Parallel work is over groups.
"""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController

# Smaller matrices and shorter columns are not divided anyway.
_SMALL, _SHORT = 32, 2_000


def one_thread(columns: int, *, rows: int = 0) -> AbstractContextManager[object]:
    """A context in which linear algebra on matrices of this many columns, or of this many rows, keeps to one
    thread."""
    if columns < _SMALL and rows < _SHORT:
        return nullcontext()
    limited: AbstractContextManager[object] = _controller().limit(limits=1, user_api="blas")
    return limited


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    from threadpoolctl import ThreadpoolController

    # Both libraries are known by now: scipy.linalg comes with the estimators.
    return ThreadpoolController()
