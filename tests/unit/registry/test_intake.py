"""Intake: all or nothing, taken once, corrected by new versions, nothing hidden."""

from __future__ import annotations

import csv
import hashlib
import shutil
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from registry.errors import Finding, RefusedInputError, UsageError
from registry.reading.column_map import read_map
from registry.reading.draft_map import draft_map
from registry.store import open_store
from registry.taking_in.findings import write_findings
from registry.taking_in.intake import IntakeResult, take_in

AT = datetime(2026, 1, 31, 12, tzinfo=UTC)
Row = Mapping[str, object]

PATIENT = {"patient_id": "P1", "sex": "female", "birth_year": 1950}
TUMOUR = {
    "tumour_id": "T1",
    "patient_id": "P1",
    "eye": "right",
    "thickness_mm": "4.5",
    "largest_basal_diameter_mm": "11",
}
VISIT = {
    "visit_id": "V1",
    "patient_id": "P1",
    "eye": "right",
    "visit_date": "2024-03-01",
    "acuity": "6/9-2",
    "fellow_acuity": "CF 1 m",
}


@pytest.fixture
def store(tmp_path: Path, empty_store: Path) -> Path:
    """Return a copy of the empty store."""
    shutil.copytree(empty_store, tmp_path / "store")
    return tmp_path / "store" / "small.registry"


def write_table(path: Path, rows: Sequence[Row], heading: Sequence[str] | None = None) -> Path:
    """Write rows as CSV; the heading is the first row's keys unless given."""
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, heading or list(rows[0]), restval="")
        writer.writeheader()
        writer.writerows(rows)
    return path


@pytest.fixture
def take(tmp_path: Path, store: Path) -> Callable[..., IntakeResult]:
    """Return a function that takes rows by table in, through files."""

    def taking(rows: Mapping[str, Sequence[Row]], **options: Any) -> IntakeResult:
        folder = tmp_path / f"files{len(list(tmp_path.iterdir()))}"
        folder.mkdir()
        for table, members in rows.items():
            write_table(folder / f"{table}.csv", members)
        return take_in(store, [folder], by="tester", at=options.pop("at", AT), **options)

    return taking


def ask(store: Path, sql: str) -> list[tuple[Any, ...]]:
    """Return the answer of a query on the store."""
    with open_store(store) as opened:
        rows: list[tuple[Any, ...]] = opened.connection.execute(sql).fetchall()
    return rows


def brief(findings: Sequence[Finding]) -> list[tuple[str, int | None, str | None]]:
    """Return file, row and field of each finding."""
    return [(finding.file, finding.row, finding.field) for finding in findings]


SMALL = {"patient": [PATIENT], "tumour": [TUMOUR], "visit": [VISIT]}


def test_files_are_taken_in_with_their_derived_fields(store: Path, take: Any) -> None:
    result = take(SMALL)
    assert result.taken
    assert not result.findings
    assert result.rows == {"patient": 1, "tumour": 1, "visit": 1}
    assert ask(store, "SELECT visit_date, acuity, fellow_acuity FROM visit") == [
        (date(2024, 3, 1), "6/9-2", "CF 1 m")
    ]
    # 6/9-2: log10(9/6) + 2 letters of 0.02 = 0.216091; 85 - 50 x 0.216091 = 74.2. CF: the store's
    # own setting (1.9), no letters.
    assert ask(store, "SELECT acuity_logmar, acuity_letters, acuity_off_chart FROM visit") == [
        (Decimal("0.216091"), 74, None)
    ]
    assert ask(
        store,
        "SELECT fellow_acuity_logmar, fellow_acuity_letters, fellow_acuity_off_chart FROM visit",
    ) == [(Decimal("1.9"), None, "CF")]
    assert ask(store, "SELECT centre_id, version FROM patient") == [("invented", 1)]


def test_the_same_file_changes_nothing_and_says_so(store: Path, take: Any) -> None:
    take(SMALL)
    before = ask(store, "SELECT count(*) FROM batch")
    again = take(SMALL)
    assert again.already_taken
    assert not again.taken
    assert ask(store, "SELECT count(*) FROM batch") == before


def test_a_file_with_known_and_new_rows_adds_the_new_ones(store: Path, take: Any) -> None:
    take(SMALL)
    second = VISIT | {"visit_id": "V2", "visit_date": "2024-09-01", "acuity": "6/12"}
    result = take({"visit": [VISIT, second]})
    assert result.rows == {"visit": 1}
    assert result.unchanged == {"visit": 1}
    assert ask(store, "SELECT visit_id, version FROM visit ORDER BY 1") == [("V1", 1), ("V2", 1)]


def test_other_content_is_an_error_unless_corrected_with_a_reason(store: Path, take: Any) -> None:
    take(SMALL)
    changed = {"visit": [VISIT | {"acuity": "6/12"}]}
    refused = take(changed)
    assert brief(refused.findings) == [("visit.csv", 2, "acuity")]
    assert "6/9-2, as the registry holds" in refused.findings[0].allowed
    assert "--correct --why" in refused.findings[0].remedy
    with pytest.raises(UsageError, match="needs a reason"):
        take(changed, correct=True)
    corrected = take(changed, correct=True, why="misread")
    assert corrected.corrected == {"visit": 1}
    assert ask(store, "SELECT acuity, acuity_letters, version FROM visit") == [("6/12", 70, 2)]
    with open_store(store) as opened:
        versions = opened.history("visit", "V1")
    assert [version.values["acuity"] for version in versions] == ["6/9-2", "6/12"]
    assert [version.reason for version in versions] == ["", "misread"]
    assert versions[1].kind == "correction"
    assert "acuity" in versions[1].changed
    again = take(changed, correct=True, why="misread")
    assert again.already_taken


def test_a_correction_changes_only_the_columns_that_the_file_has(store: Path, take: Any) -> None:
    take(SMALL)
    result = take(
        {"visit": [{"visit_id": "V1", "fellow_acuity": "", "iop_mmhg": "15"}]},
        correct=True,
        why="more",
    )
    assert result.taken
    assert ask(
        store,
        "SELECT acuity, acuity_letters, fellow_acuity, fellow_acuity_off_chart, iop_mmhg "
        "FROM visit",
    ) == [("6/9-2", 74, None, None, Decimal(15))]


def test_a_new_record_needs_its_required_fields_in_a_correction_too(take: Any) -> None:
    take(SMALL)
    result = take({"visit": [{"visit_id": "V9", "iop_mmhg": "15"}]}, correct=True, why="more")
    assert set(brief(result.findings)) == {
        ("visit.csv", 2, "patient_id"),
        ("visit.csv", 2, "eye"),
        ("visit.csv", 2, "visit_date"),
    }


def test_corrections_of_notation_alone_read_the_acuity_anew(store: Path, take: Any) -> None:
    take(SMALL | {"visit": [VISIT | {"acuity": "1.0", "acuity_notation": "decimal"}]})
    assert ask(store, "SELECT acuity_letters FROM visit") == [(85,)]
    take({"visit": [{"visit_id": "V1", "acuity_notation": "logmar"}]}, correct=True, why="logMAR")
    # 1.0 logMAR is 6/60: 85 - 50 = 35 letters.
    assert ask(store, "SELECT acuity, acuity_letters FROM visit") == [("1.0", 35)]


def test_one_error_keeps_every_file_out(store: Path, take: Any) -> None:
    before = hashlib.sha256(store.read_bytes()).hexdigest()
    result = take(SMALL | {"visit": [VISIT | {"eye": "OD"}]})
    assert result.has_errors
    assert not result.taken
    assert not result.rows
    assert ask(store, "SELECT count(*) FROM patient") == [(0,)]
    assert hashlib.sha256(store.read_bytes()).hexdigest() == before


def test_a_check_finds_the_same_and_leaves_the_file_untouched(store: Path, take: Any) -> None:
    before = hashlib.sha256(store.read_bytes()).hexdigest()
    checked = take(SMALL, check_only=True)
    assert checked.checked_only
    assert not checked.taken
    assert checked.rows == {"patient": 1, "tumour": 1, "visit": 1}
    assert hashlib.sha256(store.read_bytes()).hexdigest() == before
    assert take(SMALL).taken


def test_a_warning_keeps_nothing_out(take: Any) -> None:
    result = take(SMALL | {"tumour": [TUMOUR | {"thickness_mm": ""}]})
    assert result.taken
    assert brief(result.findings) == [("tumour.csv", 2, "thickness_mm")]
    assert result.findings[0].severity == "warning"


def test_a_withdrawn_record_comes_back_only_by_correction(store: Path, take: Any) -> None:
    take(SMALL)
    with (
        open_store(store, write=True) as opened,
        opened.batch("withdrawal", by="tester", why="entered twice", at=AT) as batch,
    ):
        batch.withdraw("visit", ["V1"])
    row = {"visit": [VISIT | {"iop_mmhg": "12"}]}
    assert "withdrawn" in take(row).findings[0].allowed
    assert take(row, correct=True, why="it was right").taken
    assert ask(store, "SELECT version, iop_mmhg FROM visit") == [(3, Decimal(12))]


# --- files and headings ---------------------------------------------------------------------------


def test_files_are_named_by_table_or_told(tmp_path: Path, store: Path) -> None:
    other = write_table(tmp_path / "people 2024.csv", [PATIENT])
    with pytest.raises(UsageError, match="not named after a table"):
        take_in(store, [other], by="tester", at=AT)
    with pytest.raises(UsageError, match="no table 'people'"):
        take_in(store, [f"people={other}"], by="tester", at=AT)
    with pytest.raises(UsageError, match="named twice"):
        take_in(store, [f"patient={other}", f"patient={other}"], by="tester", at=AT)
    with pytest.raises(RefusedInputError, match="is not there"):
        take_in(store, [tmp_path / "visit.csv"], by="tester", at=AT)
    for name, remedy in (
        ("visit.xls", "save it as XLSX, or each sheet as CSV"),
        ("my list.ods", "save it as XLSX, or each sheet as CSV"),
        ("notes.docx", "Copy the table into a spreadsheet"),
        ("all.zip", "Unpack it"),
    ):
        for argument in (tmp_path / name, f"visit={tmp_path / name}"):
            with pytest.raises(RefusedInputError, match=remedy):
                take_in(store, [argument], by="tester", at=AT)
        with pytest.raises(RefusedInputError, match=remedy):
            draft_map([tmp_path / name])
    assert take_in(store, [f"patient={other}"], by="tester", at=AT).rows == {"patient": 1}


@pytest.mark.parametrize(
    ("beginning", "said"),
    [
        (b"PK\x03\x04\x14\x00", "Name it .xlsx"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "is an old workbook"),
        (b"PAR1\x15\x04", "Name it .parquet"),
        (b"%PDF-1.7\n", "is a PDF"),
    ],
)
def test_a_file_under_another_kinds_name_is_told(
    tmp_path: Path, store: Path, beginning: bytes, said: str
) -> None:
    """The first bytes are those of the formats' own specifications (from memory)."""
    (tmp_path / "patient.csv").write_bytes(beginning + b"rest")
    with pytest.raises(RefusedInputError, match=said):
        take_in(store, [tmp_path / "patient.csv"], by="tester", at=AT)
    # A table whose first heading only begins alike is read as the text that it is.
    (tmp_path / "patient.csv").write_bytes(b"PAR1,sex\nP1,male\n")
    result = take_in(store, [tmp_path / "patient.csv"], by="tester", at=AT)
    assert "PAR1" in {finding.found for finding in result.findings}


def test_a_folder_gives_its_tables_and_names_its_strangers(tmp_path: Path, store: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    with pytest.raises(RefusedInputError, match=r"no CSV file named after a table.*It is empty"):
        take_in(store, [folder], by="tester", at=AT)
    (folder / "patient.tsv").write_text("patient_id\tsex\n", encoding="utf-8")
    with pytest.raises(RefusedInputError, match=r"It holds patient\.tsv: give a file by its own"):
        take_in(store, [folder], by="tester", at=AT)
    (folder / "patient.tsv").unlink()
    write_table(folder / "patient.csv", [PATIENT])
    write_table(folder / "tumours.csv", [TUMOUR])
    for name in ("patient.parquet", "visit.xlsx", "event.ods", "notes.txt"):
        (folder / name).write_bytes(b"")
    result = take_in(store, [folder], by="tester", at=AT)
    assert result.rows == {"patient": 1}
    not_csv = "not taken: of a folder only CSV files are; give this file by its own path"
    assert [(f.severity, f.file, f.remedy) for f in result.findings] == [
        ("warning", "event.ods", not_csv),
        ("warning", "tumours.csv", "not taken: rename it to tumour.csv"),
        ("warning", "visit.xlsx", not_csv),
    ]


def test_two_files_of_one_table_are_taken_together(tmp_path: Path, store: Path) -> None:
    first = write_table(tmp_path / "a.csv", [PATIENT])
    second = write_table(tmp_path / "b.csv", [PATIENT | {"patient_id": "P2"}, PATIENT])
    result = take_in(store, [f"patient={first}", f"patient={second}"], by="tester", at=AT)
    assert brief(result.findings) == [("b.csv", 3, "patient_id")]
    assert "same key as line 2 of a.csv" in result.findings[0].remedy


def test_a_title_above_the_heading_points_to_a_column_map(tmp_path: Path, store: Path) -> None:
    path = tmp_path / "patient.csv"
    for text in ("Patients of the clinic\n\npatient_id,sex\nP1,male\n", "Pat. No.,Sex\nP1,M\n"):
        path.write_text(text, encoding="utf-8")
        result = take_in(store, [path], by="tester", at=AT)
        assert "--draft-map" in result.findings[0].remedy
        assert result.findings[0].row == 1


def test_headings_are_judged(tmp_path: Path, store: Path) -> None:
    path = tmp_path / "visit.csv"
    path.write_text(
        "visit_id,Eye,visit_date,visit_date,acuity_letters,shoe_size,\n"
        "V1,right,2024-01-01,2024-01-01,85,42,x\n",
        encoding="utf-8",
    )
    result = take_in(store, [path], by="tester", at=AT)
    found = {(f.severity, f.row, f.field): f.remedy for f in result.findings}
    assert found == {
        ("error", 1, "Eye"): "rename the column to eye",
        ("error", 1, "visit_date"): "delete one of the two",
        ("warning", 1, "acuity_letters"): "left out: intake works it out itself",
        ("error", 1, "shoe_size"): "delete or rename the column",
        ("error", 1, "patient_id"): "add the column patient_id",
        ("error", 1, "eye"): "add the column eye",
        ("error", 2, None): "name column 7, or clear it",
    }


def test_a_heading_alone_is_an_empty_table(tmp_path: Path, store: Path) -> None:
    path = write_table(tmp_path / "patient.csv", [], heading=["patient_id", "sex"])
    result = take_in(store, [path], by="tester", at=AT)
    assert result.taken
    assert result.rows_read == {"patient.csv": 0}
    assert take_in(store, [path], by="tester", at=AT).already_taken


def test_blank_rows_are_no_rows(tmp_path: Path, store: Path) -> None:
    path = tmp_path / "patient.csv"
    path.write_text("patient_id,sex,\n\nP1,male,\n,,\n , ,\n\n", encoding="utf-8")
    assert take_in(store, [path], by="tester", at=AT).rows == {"patient": 1}


def test_columns_can_be_renamed(tmp_path: Path, store: Path) -> None:
    path = write_table(tmp_path / "patient.csv", [{"Pseudonym": "P1", "Geschlecht": "male"}])
    names = read_map(
        '[[source]]\ntable = "patient"\ncolumns = { Pseudonym = "patient_id", Geschlecht = "sex" }'
    )
    take_in(store, [path], by="tester", at=AT, columns=names)
    assert ask(store, "SELECT patient_id, sex FROM patient") == [("P1", "male")]


def test_damaged_lines_keep_their_numbers_and_their_references(tmp_path: Path, store: Path) -> None:
    patients = tmp_path / "patient.csv"
    patients.write_text('patient_id,sex,birth_year\nP1,"male,1950\nP2,male\nP3,male,1950\n')
    tumours = write_table(
        tmp_path / "tumour.csv",
        [TUMOUR | {"patient_id": f"P{i}", "tumour_id": f"T{i}"} for i in (1, 2, 3, 4)],
    )
    result = take_in(store, [patients, tumours], by="tester", at=AT)
    assert brief(result.findings) == [
        ("patient.csv", 2, "sex"),
        ("patient.csv", 3, None),
        ("tumour.csv", 5, "patient_id"),
    ]


def test_a_key_with_an_unseen_character_is_reported_at_its_own_row_only(take: Any) -> None:
    result = take(SMALL | {"patient": [PATIENT | {"patient_id": "P\u200b1"}]})
    assert brief(result.findings) == [("patient.csv", 2, "patient_id")]
    assert result.findings[0].found == "P\\u200b1"


def test_stored_decimals_are_shown_as_they_were_entered(take: Any) -> None:
    take(SMALL)
    [finding] = take({"tumour": [TUMOUR | {"thickness_mm": "4.25"}]}).findings
    assert (finding.found, finding.allowed) == ("4.25", "4.5, as the registry holds (version 1)")


def test_dates_follow_the_declared_order_and_are_never_guessed(store: Path, take: Any) -> None:
    rows = SMALL | {"visit": [VISIT | {"visit_date": "03/04/2021"}]}
    assert "--date-order" in take(rows).findings[0].remedy
    assert take(rows, date_order="dmy").taken
    assert ask(store, "SELECT visit_date FROM visit") == [(date(2021, 4, 3),)]


def test_the_future_begins_after_today(take: Any) -> None:
    rows = SMALL | {"visit": [VISIT | {"visit_date": "2026-02-01"}]}
    assert brief(take(rows).findings) == [("visit.csv", 2, "visit_date")]
    assert take(rows, today=date(2026, 2, 1)).taken


# --- findings as a file ---------------------------------------------------------------------------


def test_findings_are_written_whole_and_cannot_run_as_formulas(tmp_path: Path) -> None:
    cells = ["=HYPERLINK(1)", "+1+1", "-5", "-5+2", "@SUM(1)", "6/9", 'a,"b']
    findings = [Finding("error", "visit.csv", 3, "acuity", cell, "text", "mend") for cell in cells]
    path = tmp_path / "findings.csv"
    write_findings(findings, path)
    with path.open(encoding="utf-8-sig", newline="") as stream:
        written = [row["found"] for row in csv.DictReader(stream)]
    assert written == ["'=HYPERLINK(1)", "'+1+1", "-5", "'-5+2", "'@SUM(1)", "6/9", 'a,"b']
    with pytest.raises(RefusedInputError, match="there already"):
        write_findings([], path)
    write_findings([], path, replace=True)
    assert path.read_text(encoding="utf-8-sig").count("\n") == 1
    assert [entry.name for entry in tmp_path.iterdir()] == ["findings.csv"]
    with pytest.raises(RefusedInputError, match="cannot be written"):
        write_findings([], tmp_path / "no" / "findings.csv")
