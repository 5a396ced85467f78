"""Records appended page by page: the same links as in one piece, and all of it or nothing.

``verify_chain`` hashes the stored values anew without knowing how the pages were made.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import pyarrow as pa
import pytest

from registry.engine.chain import Head
from registry.errors import RefusedInputError
from registry.safekeeping.integrity import verify_chain
from registry.store import Store, open_store

AT = datetime(2024, 3, 1, 9, 0)
PATIENTS = pa.table({"patient_id": [f"P{n}" for n in range(6)]})
TUMOURS = pa.table(
    {
        "tumour_id": [f"T{n}" for n in range(6)],
        "patient_id": [f"P{n}" for n in range(6)],
        "eye": pa.array(["left", "right"] * 3).dictionary_encode(),
        "thickness_mm": pa.array([Decimal("4.5"), None, None, None, Decimal("2"), Decimal("3")]),
        "shape": [None, None, "dome", None, None, None],
    }
)


@pytest.fixture
def path(tmp_path: Path, empty_store: Path) -> Path:
    return _copy(tmp_path, empty_store, "store")


def _copy(folder: Path, empty_store: Path, name: str) -> Path:
    shutil.copytree(empty_store, folder / name)
    return folder / name / "small.registry"


def _record(path: Path, pages: Sequence[pa.Table], why: str = "") -> Head:
    """Record patients and tumours; nothing may be wrong with what is stored then."""
    kind = "correction" if why else "intake"
    with open_store(path, write=True) as store:
        with store.batch(kind, by="ana", why=why, at=AT) as batch:  # type: ignore[arg-type]
            if not why:
                batch.append("patient", PATIENTS)
            assert batch.append_pages("tumour", iter(pages)) == sum(p.num_rows for p in pages)
        assert verify_chain(store) is None
        return store.head()


def _append(store: Store, pages: Iterable[pa.Table]) -> None:
    with store.batch("intake", by="ana", at=AT) as batch:
        batch.append("patient", PATIENTS)
        batch.append_pages("tumour", pages)


@pytest.mark.parametrize("sizes", [(6,), (2, 2, 2), (1, 3, 2), (0, 1, 0, 5), (1,) * 6])
def test_pages_give_the_links_that_the_whole_gives(
    tmp_path: Path, empty_store: Path, sizes: tuple[int, ...]
) -> None:
    ends = [sum(sizes[:n]) for n in range(len(sizes) + 1)]
    pages = [TUMOURS.slice(start, end - start) for start, end in pairwise(ends)]
    paged = _record(_copy(tmp_path, empty_store, "paged"), pages)
    assert paged == _record(_copy(tmp_path, empty_store, "whole"), [TUMOURS])


def test_pages_of_known_and_new_records_are_versions_in_order(path: Path) -> None:
    _record(path, [TUMOURS.slice(0, 3)])
    _record(path, [TUMOURS.slice(1, 1), TUMOURS.slice(2, 2), TUMOURS.slice(4)], why="checked")
    with open_store(path) as store:
        versions = store.connection.execute(
            "SELECT tumour_id, version FROM tumour_version ORDER BY entry_no"
        ).fetchall()
    assert versions == [
        *(("T0", 1), ("T1", 1), ("T2", 1)),
        *(("T1", 2), ("T2", 2), ("T3", 1), ("T4", 1), ("T5", 1)),
    ]


@pytest.mark.parametrize(
    ("pages", "said"),
    [
        ([TUMOURS.slice(0, 2), TUMOURS.slice(1, 2)], "a record with this key is there already"),
        (
            [TUMOURS.slice(0, 2), pa.concat_tables([TUMOURS.slice(3, 1)] * 2)],
            "row 3, 4: the same key stands in more than one row",
        ),
        (
            [
                TUMOURS.slice(0, 1).set_column(0, "tumour_id", [["T9"]]),
                TUMOURS,
                TUMOURS.slice(0, 0),
                TUMOURS.slice(0, 1).set_column(1, "patient_id", [["P9"]]),
            ],
            "row 8: patient_id names a patient that the registry does not hold",
        ),
    ],
)
def test_what_is_wrong_with_any_page_keeps_all_of_them_out(
    path: Path, pages: list[pa.Table], said: str
) -> None:
    with open_store(path, write=True) as store:
        before = store.head()
        with pytest.raises(RefusedInputError) as refusal:
            _append(store, pages)
        assert said in refusal.value.message
        assert store.head() == before
        assert store.connection.execute("SELECT count(*) FROM tumour_key").fetchall() == [(0,)]


def test_a_page_that_cannot_be_made_keeps_the_others_out(path: Path) -> None:
    def pages() -> Iterator[pa.Table]:
        yield TUMOURS.slice(0, 2)
        yield TUMOURS.slice(2, 2)
        raise ZeroDivisionError

    with open_store(path, write=True) as store:
        before = store.head()
        with pytest.raises(ZeroDivisionError):
            _append(store, pages())
        assert store.head() == before
    assert _record(path, [TUMOURS]).batch_no == before.batch_no + 1
