"""Two steps side by side: nothing is lost, reordered or left switched over."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from typing import Any

import duckdb
import pytest

from registry.engine.side_by_side import one_thread, read_ahead


def test_the_next_item_is_made_while_this_one_is_used() -> None:
    begun = [threading.Event() for _ in range(3)]

    def make() -> Iterator[int]:
        for number, event in enumerate(begun):
            event.set()
            yield number

    seen = []
    for number in read_ahead(make()):
        if number + 1 < len(begun):
            assert begun[number + 1].wait(10)
        seen.append(number)
    assert seen == [0, 1, 2]


def test_what_making_an_item_raises_comes_in_its_turn() -> None:
    def make() -> Iterator[int]:
        yield 1
        raise ValueError("the second")

    items = read_ahead(make())
    assert next(items) == 1
    with pytest.raises(ValueError, match="the second"):
        next(items)


QUESTION = "SELECT current_setting('threads')"


def _fail_in_a_transaction(connection: Any) -> None:
    with one_thread(connection):
        assert connection.execute(QUESTION).fetchall() == [(1,)]
        connection.execute("BEGIN").fetchall()
        connection.execute("SELECT CAST('x' AS INTEGER)").fetchall()


def test_threads_are_set_back_also_after_a_failed_transaction() -> None:
    with duckdb.connect() as connection:
        connection.execute("SET threads = 3").fetchall()
        with pytest.raises(duckdb.ConversionException):
            _fail_in_a_transaction(connection)
        connection.execute("ROLLBACK").fetchall()
        assert connection.execute(QUESTION).fetchall() == [(3,)]
