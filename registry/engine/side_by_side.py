"""Two steps of an intake side by side: one in a thread of its own, one statement thread each.

DuckDB, Arrow and the reading of files let go of the interpreter, so two Python threads keep two
processors at work. DuckDB's own threads are left out meanwhile: an insert with more than one of
them collects its rows twice, which costs more than it gains.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

_Item = TypeVar("_Item")


def read_ahead(items: Iterable[_Item]) -> Generator[_Item, None, None]:
    """Yield the items in order; the next one is made meanwhile, in a thread of its own.

    Whatever making an item raises is raised when its turn comes.

    Examples
    --------
    >>> list(read_ahead(number * number for number in range(4)))
    [0, 1, 4, 9]
    """
    rest, end = iter(items), object()
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, rest, end)
        while (item := coming.result()) is not end:
            coming = pool.submit(next, rest, end)
            yield item  # type: ignore[misc]  # it is no end


@contextmanager
def one_thread(connection: Any) -> Iterator[None]:
    """Let DuckDB run each statement of a database on one thread meanwhile."""
    with connection.cursor() as settings:  # it can be set back when a transaction has failed
        [(before,)] = settings.execute("SELECT current_setting('threads')").fetchall()
        settings.execute("SET threads = 1").fetchall()
        try:
            yield
        finally:
            with suppress(Exception):  # what made a database unusable is told by its own error
                settings.execute(f"SET threads = {before}").fetchall()
