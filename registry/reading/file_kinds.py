"""Which kinds of file intake reads, and what to do with the others."""

from __future__ import annotations

from pathlib import Path

from registry.errors import RefusedInputError

WORKBOOKS = (".xlsx", ".xlsm")
PARQUET = (".parquet", ".pq")
_SAVE_AS_XLSX = (
    "is a workbook of a kind that is not read. Open it in your spreadsheet program and save it as "
    "XLSX, or each sheet as CSV (UTF-8)"
)
_HOLDS_NO_TABLE = "is no table. Copy the table into a spreadsheet and save that as XLSX or CSV"
_IS_PACKED = "is packed. Unpack it, and give the files that were in it"
_OTHER_FORMATS = {
    **dict.fromkeys((".xls", ".xlsb", ".ods", ".fods", ".numbers"), _SAVE_AS_XLSX),
    **dict.fromkeys((".doc", ".docx", ".odt", ".rtf", ".pdf"), _HOLDS_NO_TABLE),
    **dict.fromkeys((".zip", ".gz", ".7z", ".rar"), _IS_PACKED),
}
_BEGINNINGS = {
    b"PK\x03\x04": "is a workbook (XLSX) or packed file by its content. Name it .xlsx if it is one",
    b"\xd0\xcf\x11\xe0": "is an old workbook (XLS) by its content. Save it as XLSX or CSV (UTF-8)",
    b"PAR1\x15": "is a Parquet file by its content. Name it .parquet",
    b"%PDF-": "is a PDF by its content. Save the table that it shows as XLSX or CSV",
}
"""How files begin that are no text, whatever they are named."""


def check_path(path: Path) -> Path:
    """Return the path of a file that can be read; RefusedInputError for any other."""
    ending = path.suffix.lower()
    if ending in _OTHER_FORMATS:
        raise RefusedInputError(f"{path.name} {_OTHER_FORMATS[ending]}.", file=path.name)
    try:
        is_there = path.exists()
    except (OSError, ValueError):
        is_there = False
    if not is_there or not path.is_file():
        kind = "is no ordinary file" if is_there else "is not there"
        kind = "is a folder" if is_there and path.is_dir() else kind
        raise RefusedInputError(f"The file {path} {kind}. Check its path.", file=path.name)
    try:
        with path.open("rb") as file:
            beginning = file.read(8)
    except OSError as failure:
        raise RefusedInputError(
            f"The file {path} cannot be read ({failure.strerror}).", file=path.name
        ) from None
    for mark, what in _BEGINNINGS.items():
        if beginning.startswith(mark) and ending not in (*WORKBOOKS, *PARQUET):
            raise RefusedInputError(f"{path.name} {what}.", file=path.name)
    return path
