"""Write ``m001.registry.gz``: a small store as the first released schema keeps it.

Run when a schema is released: ``python tests/stores/write_store.py``. Earlier files are never
written anew; a test upgrades each of them. The records are invented.
"""

from __future__ import annotations

import gzip
import sys
import tempfile
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pyarrow as pa

from registry.engine.migrate import read_migrations
from registry.store import create_store, open_store


def write_store(path: Path) -> None:
    """Write a store with a correction, a withdrawal and a changed setting."""
    at = datetime(2026, 12, 1, 10, 0, tzinfo=UTC)
    create_store(path, centre_id="invented", by="tester", at=at)
    patients = {"patient_id": ["P1", "P2"], "sex": ["female", "male"], "birth_year": [1950, 1961]}
    tumours = {
        "tumour_id": ["T1"],
        "patient_id": ["P1"],
        "eye": ["left"],
        "diagnosis_date": [date(2026, 1, 31)],
        "thickness_mm": pa.array([Decimal("4.500000")], pa.decimal128(14, 6)),
    }
    with open_store(path, write=True) as store:
        with store.batch("intake", by="tester", at=at) as batch:
            batch.append("patient", pa.table(patients))
            batch.append("tumour", pa.table(tumours))
            batch.note_file("patient.csv", "ab" * 32, 2, "patient")
        with store.batch("correction", by="tester", why="misread", at=at) as batch:
            batch.append("patient", pa.table(patients).slice(0, 1).drop_columns(["sex"]))
        with store.batch("withdrawal", by="tester", why="another eye clinic's", at=at) as batch:
            batch.withdraw("patient", ["P2"])
        with store.batch("setting", by="tester", why="local policy", at=at) as batch:
            batch.change_setting("course_gap_days", 120)


def main() -> None:
    """Write the store of the newest schema beside this script, unless it is there."""
    number = read_migrations()[-1].number
    target = Path(__file__).with_name(f"m{number:03}.registry.gz")
    if target.exists() and "--anew" not in sys.argv:
        raise SystemExit(f"{target.name} is there already")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store"
        write_store(path)
        target.write_bytes(gzip.compress(path.read_bytes(), mtime=0))


if __name__ == "__main__":
    main()
