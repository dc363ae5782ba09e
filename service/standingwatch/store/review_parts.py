"""The work of an overnight review cut into parts of the fleet, done by whatever `concurrent.futures` offers.

A part reads and computes for some transmitters, by the same functions as the whole. Where helpers do it, in
processes of this machine or on a Dask cluster, each looks at PostgreSQL through the snapshot that the review
itself looks through: all of a review is of one moment, and its numbers are the same to the last bit.
"""

from __future__ import annotations

import multiprocessing
import re
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, ProcessPoolExecutor
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import dataclass, field
from functools import cache
from typing import Any, TypeVar

from sqlalchemy import Connection, text

from standingwatch import __version__
from standingwatch.store.connect import Store

Item = TypeVar("Item")
Result = TypeVar("Result")

#: Longest time for all parts of one kind, and for a cluster to have a worker [s].
PARTS_WAIT_S, WORKER_WAIT_S = 900.0, 60.0

#: A part that took its worker with it is given to another so often.
RETRIES = 3


class HelpersLostError(Exception):
    """The helpers cannot be reached, or have ended; the text says how."""


@dataclass(frozen=True)
class Helpers:
    """Who helps with reviews.

    Attributes:
        processes: so many processes of this machine; 0 for none.
        cluster: address of a Dask scheduler; "" for none.
    """

    processes: int = 0
    cluster: str = ""

    @contextmanager
    def hired(self) -> Iterator[Executor | None]:
        """An executor for the time of some reviews; None where the service's own process does it all.

        Raises:
            HelpersLostError: if the cluster cannot be reached, or has no worker.
        """
        if self.cluster:
            with _cluster(self.cluster) as executor:
                yield executor
        elif self.processes:
            # A copy of this process would have its locks without the threads that would release them.
            context = multiprocessing.get_context("spawn")
            executor = ProcessPoolExecutor(self.processes, mp_context=context)
            try:
                yield executor
            finally:
                # Those that still work on something that nobody waits for end by themselves.
                executor.shutdown(wait=False, cancel_futures=True)
        else:
            yield None


@contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    try:
        from distributed import Client
    except ImportError as error:
        raise HelpersLostError(
            "distributed is not installed: pip install 'standingwatch[cluster]'"
        ) from error
    with ExitStack() as stack:
        try:
            make: Any = Client  # its functions have no types
            client = make(address, timeout=WORKER_WAIT_S, set_as_default=False)
            stack.enter_context(client)
            client.wait_for_workers(1, timeout=WORKER_WAIT_S)
            # Not pure: a part depends on a snapshot that is gone tomorrow.
            executor = client.get_executor(pure=False, retries=RETRIES)
        except (OSError, TimeoutError) as error:
            raise HelpersLostError(f"cluster {address}: {error}") from error
        yield executor


@dataclass(frozen=True)
class View:
    """What a transaction sees of a PostgreSQL store, for other processes, as long as it lasts.

    Attributes:
        url: address of the store.
        snapshot: PostgreSQL's name of what the transaction sees.
        version: of the service that asks.
    """

    url: str = field(repr=False)
    snapshot: str
    version: str = __version__

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A reading transaction that sees the same."""
        if self.version != __version__:
            raise RuntimeError(f"review: asked by version {self.version}, and this is {__version__}")
        if not re.fullmatch(r"[0-9A-F-]{1,40}", self.snapshot):
            raise ValueError(f"review: {self.snapshot!r} is no name of a snapshot")
        engine = _store(self.url).engine.execution_options(isolation_level="REPEATABLE READ")
        with engine.connect() as connection, connection.begin():
            connection.execute(text(f"SET TRANSACTION SNAPSHOT '{self.snapshot}'"))
            yield connection


@cache
def _store(url: str) -> Store:
    """A store for all parts that a process is given."""
    return Store(url)


def view_of(connection: Connection) -> View:
    """What a reading transaction on PostgreSQL sees."""
    url = connection.engine.url.render_as_string(hide_password=False)
    return View(url, str(connection.execute(text("SELECT pg_export_snapshot()")).scalar_one()))


def in_parts(
    connection: Connection,
    executor: Executor | None,
    work: Callable[..., Result],
    items: Sequence[Item],
    size: int,
    *more: Any,
) -> list[Result]:
    """Do some work for all of a list: as a whole, or by helpers in parts.

    Args:
        connection: a reading transaction.
        executor: who helps; None, or a store that others cannot look into: the work is done here as one.
        work: what is done: `work(connection, items, *more)`, a function of a module.
        items: what it is done for.
        size: items of a part.
        more: further arguments.

    Returns:
        The results of the parts in their order.

    Raises:
        HelpersLostError: if they ended in the middle, or do not answer.
    """
    if executor is None or connection.dialect.name != "postgresql" or len(items) <= size:
        return [work(connection, items, *more)]
    view = view_of(connection)
    parts = [items[begin : begin + size] for begin in range(0, len(items), size)]
    with _killed_workers_are_lost(executor):
        try:
            tasks = [executor.submit(_part, view, work, part, *more) for part in parts]
            return [task.result(timeout=PARTS_WAIT_S) for task in tasks]
        except (BrokenExecutor, TimeoutError, OSError) as error:
            raise HelpersLostError(f"{type(error).__name__}: {error}") from error


def _part(view: View, work: Callable[..., Result], items: Sequence[Any], *more: Any) -> Result:
    """One part, in the helper's process."""
    with view.reading() as connection:
        return work(connection, items, *more)


def _killed_workers_are_lost(executor: Executor) -> Any:
    """Dask tells by an exception of its own that a part took too many workers with it."""
    return nullcontext() if isinstance(executor, ProcessPoolExecutor) else _dask_losses()


@contextmanager
def _dask_losses() -> Iterator[None]:
    from distributed import CancelledError, KilledWorker

    try:
        yield
    except (KilledWorker, CancelledError) as error:
        raise HelpersLostError(f"{type(error).__name__}: {error}") from error
