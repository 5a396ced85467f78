"""Defects of many kinds in 2 % of 10,000 rows: each found in its row and field, none elsewhere.

The planting is the reference: it is independent of the rules and knows what it broke and where.
"""

from __future__ import annotations

import csv
import io
import shutil
from collections import Counter
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from registry.store import open_store
from registry.taking_in.intake import IntakeResult, take_in

AT = datetime(2026, 1, 31, 12, tzinfo=UTC)
N_PATIENTS, N_VISITS, N_DEFECTS = 500, 20, 200
FIELDS = [
    "visit_id",
    "patient_id",
    "eye",
    "tumour_id",
    "visit_date",
    "acuity",
    "acuity_notation",
    "iop_mmhg",
    "thickness_mm",
    "local_status",
    "acuity_loss_causes",
]
ACUITIES = ["6/9", "20/40", "CF", "0.30 logMAR", "70 letters", "6/12-2", "HM", "6/60"]
Cells = list[str]


def _row(patient: int, visit: int) -> Cells:
    day = date(2015, 1, 1) + timedelta(days=patient % 700 + 120 * visit)
    return [
        f"V{patient}-{visit}",
        f"P{patient}",
        _eye(patient),
        "",
        day.isoformat(),
        ACUITIES[(patient + visit) % len(ACUITIES)],
        "",
        str(10 + (patient + visit) % 12),
        f"{2 + visit % 4}.{patient % 10}",
        "controlled",
        "cataract; maculopathy" if visit % 3 else "",
    ]


def _eye(patient: int) -> str:
    return "left" if patient % 2 else "right"


def _write_line(cells: Cells) -> str:
    stream = io.StringIO()
    csv.writer(stream, lineterminator="").writerow(cells)
    return stream.getvalue()


Plant = Callable[[Cells, Cells], str]
"""Makes the broken line from a row and the row before it (same patient)."""


def _with(field: str, text: str) -> Plant:
    place = FIELDS.index(field)
    return lambda cells, _: _write_line([*cells[:place], text, *cells[place + 1 :]])


def _copied(*fields: str) -> Plant:
    """Take these fields from the row before."""

    def plant(cells: Cells, before: Cells) -> str:
        taken = [before[i] if name in fields else cells[i] for i, name in enumerate(FIELDS)]
        return _write_line(taken)

    return plant


def _other_eye(cells: Cells, _: Cells) -> str:
    other = {"left": "right", "right": "left"}[cells[2]]
    return _write_line([*cells[:2], other, *cells[3:]])


KINDS: dict[str, tuple[str | None, Plant]] = {
    "unclosed quote": ("acuity", lambda c, _: ",".join([*c[:5], '"' + c[5], *c[6:]])),
    "stray quote": ("acuity_loss_causes", lambda c, _: ",".join([*c[:10], '"cataract"x'])),
    "a cell too many": (None, lambda c, _: _write_line([*c, ""])),
    "a cell too few": (None, lambda c, _: _write_line(c[:-1])),
    "decimal comma": ("thickness_mm", _with("thickness_mm", "3,4")),
    "out of range": ("iop_mmhg", _with("iop_mmhg", "139")),
    "not a number": ("iop_mmhg", _with("iop_mmhg", "soft")),
    "too many decimals": ("thickness_mm", _with("thickness_mm", "3.14159265")),
    "unknown code": ("local_status", _with("local_status", "stable")),
    "unknown code in a list": ("acuity_loss_causes", _with("acuity_loss_causes", "cataract; CMO")),
    "other date form": ("visit_date", _with("visit_date", "05/06/2019")),
    "no such day": ("visit_date", _with("visit_date", "2019-02-29")),
    "date in the future": ("visit_date", _with("visit_date", "2091-02-28")),
    "two-digit year": ("visit_date", _with("visit_date", "19-02-28")),
    "required cell blank": ("eye", _with("eye", " ")),
    "unreadable acuity": ("acuity", _with("acuity", "6/0")),
    "ambiguous acuity": ("acuity", _with("acuity", "1.0")),
    "key twice": ("visit_id", _copied("visit_id")),
    "unknown patient": ("patient_id", _with("patient_id", "P99999")),
    "two visits on one day": ("visit_date", _copied("visit_date")),
    "untreated eye": ("eye", _other_eye),
    "another patient's tumour": ("tumour_id", _with("tumour_id", f"T{N_PATIENTS}")),
    "unseen character": ("visit_id", lambda c, _: _write_line([c[0] + "\u200b", *c[1:]])),
}


def _plant(
    rng: np.random.Generator,
) -> tuple[list[str], dict[tuple[int, str | None], str]]:
    """Return the file's lines and what was planted where."""
    rows = [_row(patient, visit) for patient in range(N_PATIENTS) for visit in range(N_VISITS)]
    lines = [",".join(FIELDS), *(_write_line(cells) for cells in rows)]
    # An odd visit of a patient is broken, an even one before it stays sound.
    places = [i for i in range(len(rows)) if i % N_VISITS % 2 == 1]
    chosen = rng.choice(places, N_DEFECTS, replace=False)
    planted = {}
    for number, place in enumerate(sorted(chosen.tolist())):
        kind = list(KINDS)[number % len(KINDS)]
        field, plant = KINDS[kind]
        lines[place + 1] = plant(rows[place], rows[place - 1])
        planted[place + 2, field] = kind
    return lines, planted


@pytest.fixture(scope="module")
def broken(
    tmp_path_factory: pytest.TempPathFactory, empty_store: Path
) -> tuple[IntakeResult, dict[tuple[int, str | None], str], Path]:
    """Return the intake of the broken files, what was planted, and the store."""
    folder = tmp_path_factory.mktemp("planted")
    shutil.copytree(empty_store, folder / "store")
    patients = [f"P{i}" for i in range(N_PATIENTS + 1)]
    tumours = [f"T{i},P{i},{_eye(i)},4,10" for i in range(N_PATIENTS + 1)]
    head = "tumour_id,patient_id,eye,thickness_mm,largest_basal_diameter_mm"
    files = folder / "files"
    files.mkdir()
    (files / "patient.csv").write_text("\n".join(["patient_id", *patients]), encoding="utf-8")
    (files / "tumour.csv").write_text("\n".join([head, *tumours]), encoding="utf-8")
    lines, planted = _plant(np.random.default_rng(20260131))
    (files / "visit.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    store = folder / "store" / "small.registry"
    return take_in(store, [files], by="tester", at=AT), planted, store


def test_every_planted_defect_is_found_and_no_clean_row_is(
    broken: tuple[IntakeResult, dict[tuple[int, str | None], str], Path],
) -> None:
    result, planted, _ = broken
    assert len(planted) == N_DEFECTS
    assert len(set(planted.values())) == len(KINDS) >= 16
    found = {(finding.row, finding.field) for finding in result.findings}
    assert {finding.file for finding in result.findings} == {"visit.csv"}
    missed = Counter(kind for place, kind in planted.items() if place not in found)
    assert not missed
    assert {row for row, _ in found} == {row for row, _ in planted}
    assert all(finding.severity == "error" for finding in result.findings)


def test_nothing_of_it_enters(
    broken: tuple[IntakeResult, dict[tuple[int, str | None], str], Path],
) -> None:
    result, _, store = broken
    assert result.has_errors
    assert not result.taken
    with open_store(store) as opened:
        for table in ("patient", "tumour", "visit"):
            held = opened.connection.execute(f"SELECT count(*) FROM {table}_key").fetchall()
            assert held == [(0,)]
        assert not opened.files_taken()
