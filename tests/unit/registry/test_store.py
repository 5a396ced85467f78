"""The store through its public face: creating, recording, reading back, refusing."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pytest

from registry.acuity import DEFAULT_OFF_CHART_LOGMAR
from registry.errors import RefusedInputError, StoreError
from registry.records import TABLES
from registry.safekeeping.integrity import verify_chain
from registry.settings import DEFAULT_GROWTH_RULE, DEFAULT_VISIT_SCHEDULE
from registry.store import Store, create_store, open_store

FIRST = datetime(2024, 3, 1, 9, 0)


@pytest.fixture
def path(tmp_path: Path, empty_store: Path) -> Path:
    shutil.copytree(empty_store, tmp_path / "store")
    return tmp_path / "store" / "small.registry"


def _patients(*names: str, **fields: Any) -> pa.Table:
    columns = {name: [value] * len(names) for name, value in fields.items()}
    return pa.table({"patient_id": list(names), **columns})


def _record(path: Path, *tables: tuple[str, pa.Table], at: datetime = FIRST, **how: str) -> None:
    how = {"kind": "intake", "by": "ana", "why": ""} | how
    with open_store(path, write=True) as store, store.batch(at=at, **how) as batch:  # type: ignore[arg-type]
        for name, rows in tables:
            batch.append(name, rows)


def _append_and_fail(store: Store) -> None:
    with store.batch("intake", by="ana", at=FIRST) as batch:
        batch.append("patient", _patients("P1"))
        raise ZeroDivisionError


def _refused(path: Path, table: str, rows: pa.Table, why: str = "") -> str:
    with open_store(path, write=True) as store:
        before = store.head()
        with (
            pytest.raises(RefusedInputError) as refusal,
            store.batch("intake", by="ana", why=why, at=FIRST) as batch,
        ):
            batch.append(table, rows)
        assert store.head() == before
    return refusal.value.message


# --- creating -------------------------------------------------------------------------------------


def test_a_new_store_is_private_and_has_its_settings(tmp_path: Path) -> None:
    path = tmp_path / "ours"
    create_store(path, centre_id="north", by="ana", at=FIRST)
    assert {entry.name for entry in tmp_path.iterdir()} == {"ours", "ours.head", "ours.lock"}
    _record(path, ("patient", _patients("P1")))
    for entry in tmp_path.iterdir():
        assert entry.stat().st_mode & 0o777 == 0o600, entry.name
    with open_store(path) as store:
        settings = store.settings()
        assert store.connection.execute("SELECT current_setting('TimeZone')").fetchall() == [
            ("UTC",)
        ]
    assert settings.pop("off_chart_logmar") == {
        level: float(value) for level, value in DEFAULT_OFF_CHART_LOGMAR.items()
    }
    assert settings == {
        "centre_id": "north",
        "half_life_source": "ICRP Publication 107 (2008)",
        "course_gap_days": 90,
        "baseline_window_days": 90,
        "confirmation_days": 28,
        "visit_schedule": [dict(step) for step in DEFAULT_VISIT_SCHEDULE],
        "growth_rule": dict(DEFAULT_GROWTH_RULE),
    }


def test_the_log_is_private_while_it_is_there(path: Path) -> None:
    with open_store(path, write=True) as store:
        with store.batch("intake", by="ana", at=FIRST) as batch:
            batch.append("patient", _patients("P1"))
        log = path.with_name(path.name + ".wal")
        assert log.stat().st_mode & 0o777 == 0o600
    assert not log.exists()


def test_nothing_that_exists_is_overwritten(path: Path, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="exists already; nothing was changed"):
        create_store(path, centre_id="c", by="ana", at=FIRST)
    lone = tmp_path / "lone"
    lone.with_name("lone.wal").write_bytes(b"")
    with pytest.raises(StoreError, match=r"lone\.wal is here without its registry"):
        create_store(lone, centre_id="c", by="ana", at=FIRST)
    with pytest.raises(StoreError, match="There is no folder"):
        create_store(tmp_path / "no" / "ours", centre_id="c", by="ana", at=FIRST)
    with pytest.raises(RefusedInputError, match="needs a centre"):
        create_store(tmp_path / "ours", centre_id=" ", by="ana", at=FIRST)


def test_a_creation_that_fails_leaves_no_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> dict[str, object]:
        raise KeyboardInterrupt

    monkeypatch.setattr("registry.store.default_settings", fail)
    with pytest.raises(KeyboardInterrupt):
        create_store(tmp_path / "ours", centre_id="c", by="ana", at=FIRST)
    assert [entry.name for entry in tmp_path.iterdir()] == ["ours.lock"]


# --- recording and reading back -------------------------------------------------------------------

ARROW = {
    "text": (pa.string(), "some text"),
    "code": (pa.string(), None),
    "list": (pa.string(), None),
    "integer": (pa.int32(), None),
    "decimal": (pa.decimal128(14, 6), None),
    "date": (pa.date32(), date(2024, 2, 29)),
    "timestamp": (pa.timestamp("us"), datetime(2024, 2, 29, 13, 45)),
}
PARENT_IDS = {"patient_id": "P1", "tumour_id": "T1", "applicator_id": "A1", "implant_id": "I1"}


def _value_of(field: Any) -> Any:
    if field.is_key and f"{field.table}_id" == field.name:
        return PARENT_IDS.get(field.name, "X1")
    if field.references:
        return PARENT_IDS[field.name]
    if field.codes:
        return field.codes[-1]
    if field.type == "integer":
        return int(field.high)
    if field.type == "decimal":
        return (field.low + field.high) / 2 if field.low is not None else Decimal("1.5")
    return ARROW[field.type][1]


def test_every_field_of_every_table_comes_back_as_it_was_recorded(path: Path) -> None:
    rows = {
        name: {field.name: _value_of(field) for field in table.fields}
        for name, table in TABLES.items()
    }
    tables = [
        (
            name,
            pa.table(
                {
                    field.name: pa.array([rows[name][field.name]], ARROW[field.type][0])
                    for field in TABLES[name].fields
                }
            ),
        )
        for name in TABLES
    ]
    _record(path, *tables)
    with open_store(path) as store:
        for name, table in TABLES.items():
            names = [field.name for field in table.fields]
            shown = store.connection.execute(f"SELECT * FROM {name}")
            columns = [column[0] for column in shown.description]
            [row] = shown.fetchall()
            assert columns == [*names, "recorded_at", "version"]
            assert dict(zip(names, row, strict=False)) == rows[name]
            assert row[-2:] == (FIRST, 1)
        assert verify_chain(store) is None


def test_versions_history_and_past_states(path: Path) -> None:
    later, last = FIRST + timedelta(days=1), FIRST + timedelta(days=2)
    _record(path, ("patient", _patients("P1", "P2", sex="male", birth_year=1950)))
    corrected = _patients("P1", sex="male", birth_year=1951)
    _record(path, ("patient", corrected), at=later, kind="correction", by="ben", why="misread")
    with open_store(path, write=True) as store:
        with store.batch("withdrawal", by="ana", why="twice there", at=last) as batch:
            assert batch.withdraw("patient", ["P2"]) == 1
        read = store.connection
        assert read.execute("SELECT patient_id, birth_year, version FROM patient").fetchall() == [
            ("P1", 1951, 2)
        ]
        past = "SELECT patient_id, birth_year FROM patient_as_of(?) ORDER BY patient_id"
        assert read.execute(past, [FIRST - timedelta(microseconds=1)]).fetchall() == []
        assert read.execute(past, [FIRST]).fetchall() == [("P1", 1950), ("P2", 1950)]
        assert read.execute(past, [later]).fetchall() == [("P1", 1951), ("P2", 1950)]
        assert read.execute(past, [last]).fetchall() == [("P1", 1951)]
        first, second = store.history("patient", "P1")
        withdrawn = store.history("patient", " P2 ")[-1]
    assert first.changed == ("patient_id", "centre_id", "sex", "birth_year")
    assert first.values["centre_id"] == "invented"  # the store's own, as none was entered
    assert (second.changed, second.reason) == (("birth_year",), "misread")
    assert (second.kind, second.recorded_by, second.version) == ("correction", "ben", 2)
    assert second.recorded_at == later.replace(tzinfo=UTC)
    assert (withdrawn.withdrawn, withdrawn.changed) == (True, ())
    assert withdrawn.values["birth_year"] == 1950


def test_a_withdrawn_record_may_be_recorded_again(path: Path) -> None:
    _record(path, ("patient", _patients("P1")))
    with open_store(path, write=True) as store:
        with store.batch("withdrawal", by="ana", why="wrong", at=FIRST) as batch:
            batch.withdraw("patient", ["P1"])
        with (
            pytest.raises(RefusedInputError, match="patient:P1 is not among the current records"),
            store.batch("withdrawal", by="ana", why="wrong", at=FIRST) as batch,
        ):
            batch.withdraw("patient", ["P1"])
        with store.batch("correction", by="ana", why="right after all", at=FIRST) as batch:
            batch.append("patient", _patients("P1"))
        assert [row.withdrawn for row in store.history("patient", "P1")] == [False, True, False]


def test_a_key_of_several_fields(path: Path) -> None:
    check = {
        "applicator_id": ["R|1"],
        "check_date": pa.array([date(2024, 2, 1)]),
        "kind": ["output"],
        "result": ["pass"],
    }
    plaque = {"applicator_id": ["R|1"], "isotope": ["Ru-106"], "diameter_mm": [20]}
    _record(path, ("applicator", pa.table(plaque)), ("applicator_check", pa.table(check)))
    with open_store(path) as store:
        assert len(store.history("applicator_check", "R|1|2024-02-01|output")) == 1
        assert len(store.history("applicator", "R|1")) == 1
        for wrong in ("R|1|2024-02-02|output", "R|1|soon|output"):
            with pytest.raises(RefusedInputError, match="holds no record"):
                store.history("applicator_check", wrong)
        with pytest.raises(RefusedInputError, match=r"applicator_id\|check_date\|kind"):
            store.history("applicator_check", "R")
        with pytest.raises(RefusedInputError, match="no table 'plaque'"):
            store.history("plaque", "R")


def test_files_are_noted_with_their_batch(path: Path) -> None:
    digest = "AB" * 32
    with open_store(path, write=True) as store:
        with store.batch("intake", by="ana", at=FIRST) as batch:
            batch.append("patient", _patients("P1"))
            batch.note_file("patient.csv", digest, 1, "patient")
            number = batch.batch_no
        taken = store.files_taken()
    assert list(taken) == [digest.lower()]
    file = taken[digest.lower()]
    assert (file.name, file.table, file.rows, file.batch_no) == (
        "patient.csv",
        "patient",
        1,
        number,
    )
    assert file.recorded_at == FIRST.replace(tzinfo=UTC)


def test_settings_are_versioned_and_checked(path: Path) -> None:
    with open_store(path, write=True) as store:
        with store.batch("setting", by="ana", why="new policy", at=FIRST) as batch:
            batch.change_setting("course_gap_days", 120)
        assert store.settings()["course_gap_days"] == 120
        for name, value in (
            ("course_gap_days", 0),
            ("course_gap_days", True),
            ("off_chart_logmar", {"CF": 2.0, "HM": 1.9, "LP": 2.7, "NLP": 3.0}),
            ("off_chart_logmar", {"CF": 2.0}),
            ("colour", "red"),
        ):
            with (
                pytest.raises(RefusedInputError, match=name),
                store.batch("setting", by="ana", why="x", at=FIRST) as batch,
            ):
                batch.change_setting(name, value)
        with (
            pytest.raises(RefusedInputError, match="changed setting needs a reason"),
            store.batch("setting", by="ana", at=FIRST) as batch,
        ):
            batch.change_setting("course_gap_days", 100)
        rows = store.connection.execute(
            "SELECT version, value, recorded_why FROM setting_version "
            "WHERE name = 'course_gap_days' ORDER BY version"
        ).fetchall()
    assert rows == [(1, "90", "defaults of the program"), (2, "120", "new policy")]


def test_a_batch_is_all_or_nothing_and_an_empty_one_is_nothing(path: Path) -> None:
    with open_store(path, write=True) as store:
        before = store.head()
        with pytest.raises(ZeroDivisionError):
            _append_and_fail(store)
        with store.batch("intake", by="ana", at=FIRST) as batch:
            assert batch.append("patient", _patients()) == 0
        assert store.head() == before
        assert store.connection.execute("SELECT count(*) FROM patient_key").fetchall() == [(0,)]


def test_times_are_kept_in_utc_and_never_go_back(path: Path) -> None:
    east = timezone(timedelta(hours=5))
    with open_store(path, write=True) as store:
        with store.batch("intake", by="ana", at=datetime(2024, 3, 1, 2, 0, tzinfo=east)) as batch:
            batch.append("patient", _patients("P1"))
        stored = store.connection.execute("SELECT recorded_at FROM patient").fetchall()
        assert stored == [(datetime(2024, 2, 29, 21, 0),)]
        with (
            pytest.raises(StoreError, match="Put the clock of this machine right"),
            store.batch("intake", by="ana", at=datetime(2024, 2, 29, 20, 59)) as batch,
        ):
            batch.append("patient", _patients("P2"))


# --- refusing -------------------------------------------------------------------------------------


def test_refusals_name_rows_and_fields_but_no_values(path: Path) -> None:
    _record(path, ("patient", _patients("P1")))
    tumour = {"tumour_id": ["T1", "T2"], "patient_id": ["P1", "Secret"], "eye": ["left", " "]}
    said = _refused(path, "tumour", pa.table(tumour))
    assert "row 2: patient_id names a patient that the registry does not hold" in said
    assert "row 2: eye is blank" in said
    assert "Secret" not in said
    thin = {"tumour_id": ["T1"], "patient_id": ["P1"], "eye": ["left"]}
    third = pa.table(thin | {"thickness_mm": [1 / 3]})
    assert "thickness_mm has more than 6 decimal places" in _refused(path, "tumour", third)
    unreal = pa.table(thin | {"thickness_mm": [float("nan")]})
    assert "is no number that fits" in _refused(path, "tumour", unreal)
    assert "row 1, 2: the same key" in _refused(path, "patient", _patients("P3", "P3"))
    assert "row 1: a new version of a record needs a reason" in _refused(
        path, "patient", _patients("P1")
    )
    lacking = pa.table({"tumour_id": ["T1"], "patient_id": ["P1"]})
    assert "required field eye is not among the columns" in _refused(path, "tumour", lacking)


def test_the_last_net_holds_what_intake_would_let_through(path: Path) -> None:
    check = "breaks the store's check "
    assert check + "(birth_year BETWEEN 1880 AND 2100)" in _refused(
        path, "patient", _patients("P1", birth_year=1879)
    )
    assert check + "(sex IN (" in _refused(path, "patient", _patients("P1", sex="m"))
    endless = pa.array([date(9999, 12, 31)])
    assert check in _refused(path, "patient", _patients("P1").append_column("death_date", endless))
    long_ago = _patients("P1").append_column("death_date", pa.array([date(1, 1, 1)]))
    assert check in _refused(path, "patient", long_ago)


def test_an_outdated_edit_is_refused(path: Path) -> None:
    _record(path, ("patient", _patients("P1")))
    based_on = _patients("P1", based_on_version=1)
    _record(path, ("patient", based_on), kind="correction", why="first edit")
    said = _refused(path, "patient", based_on, why="second edit")
    assert "row 1: someone else has recorded a newer version" in said
    new = _patients("P2", based_on_version=0)
    _record(path, ("patient", new))


def test_misuse_is_a_value_error(path: Path) -> None:
    with open_store(path, write=True) as store:
        with store.batch("intake", by="ana", at=FIRST) as batch:
            for table, rows, said in (
                ("plaque", _patients("P1"), "no table 'plaque'"),
                ("patient", _patients("P1", colour="red"), "no field 'colour'"),
                ("patient", _patients("P1", birth_year="1950"), "takes integer, not Arrow's str"),
                ("patient", pa.table({"sex": ["male"]}), "lack the key field 'patient_id'"),
                (
                    "implant",
                    pa.table({"inserted_at": pa.array([FIRST], pa.timestamp("us", "UTC"))}),
                    "inserted_at takes timestamp",
                ),
            ):
                with pytest.raises(ValueError, match=said):
                    batch.append(table, rows)
            with (
                pytest.raises(ValueError, match="is recording a batch already"),
                store.batch("intake", by="ana", at=FIRST),
            ):
                pass
        with (
            pytest.raises(ValueError, match="no kind of batch 'whim'"),
            store.batch("whim", by="ana", at=FIRST),  # type: ignore[arg-type]
        ):
            pass
        with (
            pytest.raises(RefusedInputError, match="Say who"),
            store.batch("intake", by=" ", at=FIRST),
        ):
            pass
    with (
        open_store(path) as store,
        pytest.raises(ValueError, match="is open for reading"),
        store.batch("intake", by="ana", at=FIRST),
    ):
        pass


def test_a_record_to_which_others_refer_is_not_withdrawn_alone(path: Path) -> None:
    tumour = pa.table({"tumour_id": ["T1"], "patient_id": ["P1"], "eye": ["left"]})
    _record(path, ("patient", _patients("P1")), ("tumour", tumour))
    with open_store(path, write=True) as store:
        with (
            pytest.raises(
                RefusedInputError, match=r"refer to the withdrawn patient: 1, tumour:T1 for one"
            ),
            store.batch("withdrawal", by="ana", why="wrong", at=FIRST) as batch,
        ):
            batch.withdraw("patient", ["P1"])
        with (
            pytest.raises(RefusedInputError, match="withdrawal needs a reason"),
            store.batch("withdrawal", by="ana", at=FIRST) as batch,
        ):
            batch.withdraw("tumour", ["T1"])
        with store.batch("withdrawal", by="ana", why="wrong", at=FIRST) as batch:
            batch.withdraw("patient", ["P1"])
            batch.withdraw("tumour", ["T1"])
            assert batch.rows == {"patient": 1, "tumour": 1}
    said = _refused(path, "tumour", tumour.set_column(0, "tumour_id", pa.array(["T2"])))
    assert "patient_id names a patient that the registry does not hold" in said


GUARDED = [
    *(f"{name}_{kind}" for name in TABLES for kind in ("key", "version")),
    "setting_version",
    "batch",
    "batch_file",
    "chain_anchor",
    "schema_version",
]


@pytest.mark.parametrize(
    "statement",
    ["UPDATE {0} SET {1} = {1}", "DELETE FROM {0}", "DELETE FROM {0} WHERE false", "TRUNCATE {0}"],
)
def test_guards_refuse_every_change_in_place(path: Path, statement: str) -> None:
    with open_store(path, write=True) as store:
        for table in GUARDED:
            column = store.connection.execute(f"DESCRIBE {table}").fetchall()[0][0]
            with pytest.raises(duckdb.Error, match=f"{table} is append-only: a correction is a"):
                store.connection.execute(statement.format(table, column)).fetchall()
        assert verify_chain(store) is None


def test_guards_refuse_upserts(path: Path) -> None:
    _record(path, ("patient", _patients("P1")))
    with open_store(path, write=True) as store:
        for statement in (
            "INSERT INTO patient_key VALUES ('P1') ON CONFLICT DO UPDATE SET patient_id = 'P2'",
            "MERGE INTO patient_key USING (SELECT 1) s ON true WHEN MATCHED THEN DELETE",
        ):
            with pytest.raises(duckdb.Error, match=r"triggers|append-only"):
                store.connection.execute(statement).fetchall()
        assert store.connection.execute("FROM patient_key").fetchall() == [("P1",)]


def test_an_older_schema_is_brought_up_to_date_by_writing_only(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from registry.engine.migrate import read_migrations
    from registry.migrations.write_first_schema import FIRST_SCHEMA

    _record(path, ("patient", _patients("P1")))
    folder = tmp_path / "migrations"
    folder.mkdir()
    shutil.copy(FIRST_SCHEMA, folder)
    (folder / "m002_colour.sql").write_text("ALTER TABLE patient_version ADD COLUMN hue VARCHAR;")
    known = read_migrations(folder=folder)
    read_packaged: Callable[[], Any] = lambda: known  # noqa: E731
    monkeypatch.setattr("registry.engine.opening.read_migrations", read_packaged)
    with pytest.raises(StoreError, match=r"init small\.registry --upgrade"), open_store(path):
        pass
    with open_store(path, write=True) as store:
        assert verify_chain(store) is None  # a new column leaves the old rows' hashes as they were
    with open_store(path) as store:
        assert store.connection.execute("SELECT hue FROM patient_version").fetchall() == [(None,)]
    monkeypatch.undo()
    newer = "a newer version of the program wrote it"
    with pytest.raises(StoreError, match=newer), open_store(path):
        pass


@pytest.mark.parametrize("name", ["patient.csv", "patient.parquet", "patient.json"])
def test_a_table_given_for_a_registry_is_called_none_and_stays_as_it_is(
    tmp_path: Path, name: str
) -> None:
    """The engine reads files of these names as tables of a database of its own."""
    path = tmp_path / name
    path.write_text("patient_id,sex\nP1,female\n", encoding="utf-8")
    for write in (False, True):
        with (
            pytest.raises(StoreError, match="not a registry"),
            open_store(path, write=write),
        ):
            pass
    assert path.read_text(encoding="utf-8") == "patient_id,sex\nP1,female\n"


def test_no_registry_is_named_like_a_table(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="named like a table"):
        create_store(tmp_path / "patient.csv", centre_id="invented", by="ana", at=FIRST)
    assert {found.name for found in tmp_path.iterdir()} <= {"patient.csv.lock"}
