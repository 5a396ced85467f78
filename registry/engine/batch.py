"""One batch: what is recorded together, all of it or nothing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Literal, get_args

from registry.engine.chain import Head
from registry.engine.journal import find_table, split_key
from registry.engine.storage import Stamp, Storage
from registry.errors import RefusedInputError
from registry.records import TABLES
from registry.settings import write_value

BatchKind = Literal["creation", "intake", "correction", "withdrawal", "setting"]
BATCH_KINDS: tuple[str, ...] = get_args(BatchKind)
"""What a batch may be."""


class Batch:
    """What is recorded together: all of it or nothing. Made by :meth:`Store.batch`."""

    def __init__(self, storage: Storage, kind: BatchKind, stamp: Stamp, head: Head) -> None:
        self._storage = storage
        self._kind = kind
        self._stamp = stamp
        self._head = head
        self._rows: dict[str, int] = {}
        self._withdrawn_tables: set[str] = set()
        self._is_noted = False

    @property
    def batch_no(self) -> int:
        """The batch's number, one more than the last."""
        return self._stamp.batch_no

    @property
    def rows(self) -> dict[str, int]:
        """How many versions were appended so far, by table."""
        return dict(self._rows)

    def append(self, table_name: str, rows: Any) -> int:
        """Record a new version of each row.

        Parameters
        ----------
        table_name
            A declared table. Parents come before the records that refer to them.
        rows
            A pyarrow table whose columns are declared fields of matching Arrow type; fields that
            are left out are blank. A column ``based_on_version`` (integer; 0 for a new record)
            refuses rows of which someone else has recorded a newer version.

        Returns
        -------
        int
            Number of versions recorded.

        Raises
        ------
        RefusedInputError
            When a row breaks a check of the store, naming row numbers and fields but no values.
        ValueError
            For an unknown table or column, or a column of the wrong type.
        """
        return self.append_pages(table_name, [rows])

    def append_pages(self, table_name: str, pages: Iterable[Any]) -> int:
        """Record a new version of each row of several pages; no key may stand in two of them.

        Takes the pages one by one, as :meth:`append` takes its rows. It is faster than one
        :meth:`append` a page: one page is hashed while the one before it is inserted.
        """
        if table_name not in TABLES:
            raise ValueError(f"there is no table {table_name!r}")
        count, self._head = self._storage.append_versions(
            TABLES[table_name], pages, self._stamp, self._head
        )
        self._rows[table_name] = self._rows.get(table_name, 0) + count
        return count

    def withdraw(self, table_name: str, keys: Sequence[str]) -> int:
        """Mark records as entered by mistake; every version of them is kept.

        Parameters
        ----------
        table_name
            A declared table.
        keys
            The records' keys as text, parts joined by ``|``.

        Raises
        ------
        RefusedInputError
            When a record is not there or is withdrawn already, or when no reason is given. When
            the batch ends: when a record that is still current refers to a withdrawn one.
        """
        table = find_table(table_name)
        if not self._stamp.why.strip():
            raise RefusedInputError("A withdrawal needs a reason.", option="--why")
        parts = list(dict.fromkeys(split_key(table, key) for key in keys))
        for key in parts:
            if self._storage.current_rows(table, [key]).num_rows == 0:
                raise RefusedInputError(
                    f"{table.name}:{'|'.join(key)} is not among the current records: there is no "
                    "such record, or it is withdrawn already (`afterplaque history` tells).",
                    table=table.name,
                    key="|".join(key),
                )
        if not parts:
            return 0
        rows = self._storage.current_rows(table, parts)
        count, self._head = self._storage.append_versions(
            table, [rows], self._stamp, self._head, is_withdrawal=True
        )
        self._rows[table_name] = self._rows.get(table_name, 0) + count
        self._withdrawn_tables.add(table_name)
        return count

    def note_file(self, name: str, sha256: str, rows: int, table: str = "") -> None:
        """Note that a file's rows are part of this batch.

        ``sha256`` is the hexadecimal checksum of the file's bytes, ``name`` its name without
        folders, ``table`` the record table its rows went into.
        """
        row = {"sha256": sha256.lower(), "name": name, "table_name": table, "rows": rows}
        self._append_links("batch_file", row)
        self._is_noted = True

    def change_setting(self, name: str, value: Any) -> None:
        """Record a new value of a setting.

        Raises
        ------
        RefusedInputError
            When the setting does not take the value, when no reason is given, or when acuities
            off the chart were read with the value that is there.
        """
        text = write_value(name, value)
        if name == "off_chart_logmar":
            self._refuse_second_reading()
        found = self._storage.connection.execute(
            "SELECT version FROM setting WHERE name = ?", [name]
        ).fetchall()
        stamp = self._stamp
        if found and not stamp.why.strip():
            raise RefusedInputError("A changed setting needs a reason.", option="--why")
        self._append_links(
            "setting_version",
            {
                "name": name,
                "value": text,
                "version": found[0][0] + 1 if found else 1,
                "recorded_at": stamp.at,
                "recorded_by": stamp.by,
                "recorded_why": stamp.why,
            },
        )
        self._is_noted = True

    def _refuse_second_reading(self) -> None:
        """Refuse another logMAR of levels off the chart beside readings by the one that is there.

        Visits keep the logMAR that they were read with, so that both would stand side by side.
        """
        n_read = self._storage.connection.execute(
            "SELECT count(*) FROM visit_version WHERE acuity_off_chart IS NOT NULL "
            "OR fellow_acuity_off_chart IS NOT NULL"
        ).fetchall()[0][0]
        if n_read:
            raise RefusedInputError(
                f"The setting off_chart_logmar stays as it is: acuities off the chart were read "
                f"with it in visits recorded ({n_read}). To read them otherwise, make a new "
                "registry, change the setting there first, and take the files in again.",
                setting="off_chart_logmar",
            )

    def _append_links(self, table_name: str, row: dict[str, object]) -> None:
        row["batch_no"] = self._stamp.batch_no
        self._head = self._storage.append_links(table_name, [row], self._head)

    def finish(self) -> Head | None:
        """Close the batch with its own row; None when nothing was recorded."""
        n_versions = sum(self._rows.values())
        if not n_versions and not self._is_noted:
            return None
        withdrawn = [TABLES[name] for name in sorted(self._withdrawn_tables)]
        for orphans in self._storage.find_orphans(withdrawn) if withdrawn else ():
            raise RefusedInputError(
                f"Records of {orphans.table} still refer to the withdrawn {orphans.parent}: "
                f"{orphans.count}, {orphans.table}:{orphans.example} for one. Correct them first, "
                "or withdraw them too; --with-dependents withdraws those that cannot stand without "
                "it. Nothing was recorded.",
                table=orphans.table,
                field=orphans.field,
            )
        self._append_links(
            "batch",
            {
                "kind": self._kind,
                "recorded_at": self._stamp.at,
                "recorded_by": self._stamp.by,
                "why": self._stamp.why,
                "n_versions": n_versions,
            },
        )
        return Head(self._stamp.batch_no, self._head.entry_no, self._head.chain_hash)
