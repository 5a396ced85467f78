"""The rows of a Parquet file, as text, exactly as its types say them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from registry.entry_rules.line_records import Chunk
from registry.errors import RefusedInputError

if TYPE_CHECKING:
    pass

MOST_COLUMNS = 16_384
CELLS_AT_ONCE = 1_000_000
MOST_GROUP_BYTES = 400_000_000
"""Bytes of one row group, decompressed."""

LONGEST_TEXT = 10_000
MOST_TEXT_BYTES = 600_000_000
"""Bytes of all texts, written out; a dictionary can hold little and stand for much."""

TEXT_BYTES_AT_ONCE = 20_000_000


def _refuse(path: Path, what: str) -> RefusedInputError:
    return RefusedInputError(f"{path.name} {what}.", file=path.name)


class ParquetRows:
    """A Parquet file: its column names, then chunks of rows; row 2 is the first below the names.

    Raises
    ------
    RefusedInputError
        When it is no Parquet file, is damaged, holds nested columns or is larger than is sensible.
    """

    def __init__(self, path: Path) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        self.path = path
        self._text_bytes = 0
        try:
            schema = pq.read_schema(path)
            texts = [
                member.name
                for member in schema
                if pa.types.is_string(member.type)
                or pa.types.is_large_string(member.type)
                or pa.types.is_dictionary(member.type)
            ]
            self._file = pq.ParquetFile(path, read_dictionary=texts)
        except (OSError, pa.ArrowException, ValueError):
            raise _refuse(path, "cannot be read as Parquet. Save it anew") from None
        nested = [field.name for field in schema if pa.types.is_nested(field.type)]
        if nested:
            raise _refuse(path, f"has a column of lists or structures ({nested[0]}). Split it")
        if len(schema) > MOST_COLUMNS:
            raise _refuse(path, f"has more than {MOST_COLUMNS} columns")
        self.heading = tuple(name.strip() for name in schema.names)
        self._check_groups()

    def _check_groups(self) -> None:
        data = self._file.metadata
        for number in range(data.num_row_groups):
            if data.row_group(number).total_byte_size > MOST_GROUP_BYTES:
                raise _refuse(
                    self.path,
                    f"has a row group of more than {MOST_GROUP_BYTES // 1_000_000} MB. Write it "
                    "with smaller row groups",
                )

    def read_chunks(self) -> Iterator[Chunk]:
        """Yield the rows below the names."""
        import pyarrow as pa

        size = max(50, min(50_000, CELLS_AT_ONCE // max(1, len(self.heading))))
        line = 2
        try:
            for batch in self._file.iter_batches(batch_size=size, use_threads=False):
                at_once = max(1, TEXT_BYTES_AT_ONCE // max(1, self._measure(batch)))
                for start in range(0, batch.num_rows, at_once):
                    part = batch.slice(start, at_once)
                    columns = [self._write(column) for column in part.columns]
                    lines = pa.array(range(line, line + part.num_rows), pa.int64())
                    names = [*(str(place) for place in range(len(columns))), "line"]
                    line += part.num_rows
                    yield Chunk(pa.table([*columns, lines], names=names), (), True)
        except (OSError, pa.ArrowException, ValueError):
            raise _refuse(self.path, "is damaged. Save it anew as Parquet") from None

    def _measure(self, batch: Any) -> int:
        """Find the most bytes that a row's texts can have; refuse what writes out too large."""
        import pyarrow as pa
        import pyarrow.compute as pc

        longest = 0
        for column in batch.columns:
            if not pa.types.is_dictionary(column.type):
                continue
            lengths = pc.binary_length(column.dictionary.cast(pa.large_string()))
            self._text_bytes += pc.sum(lengths.take(column.indices)).as_py() or 0
            longest += pc.max(lengths).as_py() or 0
        if self._text_bytes > MOST_TEXT_BYTES:
            most = MOST_TEXT_BYTES // 1_000_000
            raise _refuse(self.path, f"holds more than {most} MB of text. Split it")
        return longest

    def _write(self, column: Any) -> Any:
        """Write a column as text; null is blank."""
        import pyarrow as pa
        import pyarrow.compute as pc

        kind = column.type
        if pa.types.is_dictionary(kind):
            if pa.types.is_string(kind.value_type) or pa.types.is_large_string(kind.value_type):
                lengths = pc.binary_length(column.dictionary)
                if (pc.max(lengths).as_py() or 0) > LONGEST_TEXT:
                    raise _refuse(self.path, f"has a text of more than {LONGEST_TEXT} bytes")
            column = column.dictionary_decode()
            kind = column.type
        text = column.cast(pa.string())
        if pa.types.is_decimal(kind):
            text = pc.replace_substring_regex(text, r"^(-?\d+\.\d*?)0+$", r"\1")
            text = pc.replace_substring_regex(text, r"\.$", "")
        elif pa.types.is_floating(kind):
            text = pc.replace_substring_regex(text, r"^(-?\d+)\.0$", r"\1")
        elif pa.types.is_timestamp(kind):
            text = pc.replace_substring_regex(text, r"\.0+(Z?)$", r"\1")
        return pc.fill_null(text, "")
