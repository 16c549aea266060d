"""Several machines that share the work: the scheduler they answer to, and how work is given to them.

In: a scheduler's address.  Out: what each piece of work gave, in order.
The machines run Dask's workers and have repeatab installed. What a machine that fails had to do goes to another.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

from repeatab.base.errors import InputError, RepeatabError
from repeatab.base.progress import Progress

_ADDRESS = re.compile(r"(?:tcp|tls|ws|wss|inproc)://\S+|[\w.\-]+:\d+")
_SECONDS = 10

Item = TypeVar("Item")
Given = TypeVar("Given")


@dataclass(frozen=True, slots=True)
class Machines:
    """Where the work goes.

    scheduler : address of the scheduler, such as "tcp://rig-hall:8786".

    Raises
    ------
    InputError
        The text is no address.
    """

    scheduler: str

    def __post_init__(self) -> None:
        if not _ADDRESS.fullmatch(self.scheduler):
            raise InputError(
                f"engine: found '{self.scheduler}', expected the address of a scheduler such as "
                "tcp://rig-hall:8786; its start prints it."
            )

    def __str__(self) -> str:
        return self.scheduler


def on_machines(
    machines: Machines,
    work: Callable[[Item], Given],
    items: Sequence[Item],
    *,
    progress: Progress,
    step: str,
) -> list[Given]:
    """Do the work on each item on the machines; what it gives, in the order of the items.

    Raises
    ------
    InputError
        Dask is not installed, the scheduler cannot be reached or has no workers, or what the work refuses.
    """
    with _client(machines) as client:
        from distributed import as_completed

        futures = [client.submit(work, item, pure=False) for item in items]
        try:
            progress(step, 0, len(items))
            for done, future in enumerate(as_completed(futures), start=1):
                if future.status == "error":
                    _raise(future.exception(), machines)
                progress(step, done, len(items))
            return [future.result() for future in futures]
        finally:
            # Whatever is still to do when one piece fails, or when the user stops, is taken back.
            client.cancel(futures, force=True)


@contextmanager
def _client(machines: Machines) -> Iterator[Any]:
    try:
        from distributed import Client
    except ModuleNotFoundError:
        raise InputError(
            f"engine: the work is to go to {machines}, and Dask is not installed. Install it: "
            "pip install 'repeatab[engines]', or leave the engine out."
        ) from None
    try:
        client = Client(machines.scheduler, timeout=_SECONDS, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise InputError(
            f"engine: the scheduler at {machines} cannot be reached ({_first_line(error)}). Start it, correct the "
            "address, or leave the engine out to work on this machine alone."
        ) from None
    try:
        try:
            client.wait_for_workers(1, timeout=_SECONDS)
        except TimeoutError:
            raise InputError(
                f"engine: the scheduler at {machines} has no workers. Start some and point them to it."
            ) from None
        with client.as_current():
            yield client
    finally:
        client.close()


def _raise(error: BaseException, machines: Machines) -> None:
    if isinstance(error, RepeatabError):
        raise error
    if isinstance(error, ModuleNotFoundError):
        raise InputError(
            f"engine: a machine of {machines} lacks '{error.name}'. Install the same repeatab on all of them."
        ) from None
    if type(error).__name__ == "KilledWorker":
        raise InputError(
            f"engine: several workers of {machines} died at the same piece of work. Give them more memory, or divide "
            "the largest result file."
        ) from None
    raise error


def _first_line(error: BaseException) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0]
