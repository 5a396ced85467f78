"""Identifiers that are a person's own are refused or pointed at; pseudonyms pass. All invented."""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path

import pytest

from registry.taking_in.intake import take_in

AT = datetime(2026, 1, 1)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory, empty_store: Path) -> Path:
    folder = tmp_path_factory.mktemp("rules")
    shutil.copytree(empty_store, folder / "store")
    return folder / "store" / "small.registry"


CASES = {
    # what stands in patient_id: what is said of it
    "Mullerin Anna": "error",
    "MILLER, JOHN": "error",
    "Miller": "error",
    "Miller-Jones": "error",
    "O'Brien Pat": "error",
    "Anna_Miller": "error",
    "Æsa Þórsdóttir": "error",
    "anna@clinic.example": "error",
    "1950-03-12": "error",
    "AM-12.3.1950": "error",
    "AM19500312": "error",
    "12031950X": "error",
    "120350-1234": "error",
    "500312-1234": "error",
    "8812345": "warning",
    "9434765919": "warning",
    "943 476 5919": "warning",
    "123-45-6789": "warning",
    "site 123-45": None,
    "2024-01-017": None,
    "P-7K2M-9QXA-04TD": None,
    "HB0021": None,
    "P017": None,
    "KXTRQ": None,
    "2024-0017": None,
    "case 12": None,
    "PT-000123": None,
}


def test_every_patient_id_is_judged(store: Path, tmp_path: Path) -> None:
    lines = ["patient_id", *(f'"{text}"' for text in CASES)]
    (tmp_path / "patient.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    result = take_in(store, [tmp_path / "patient.csv"], by="ana", at=AT, check_only=True)
    said: dict[str, str | None] = dict.fromkeys(CASES)
    for finding in result.findings:
        assert (finding.field, finding.file) == ("patient_id", "patient.csv")
        assert "pseudonym" in finding.allowed + finding.remedy
        said[finding.found] = finding.severity
    assert said == CASES


def test_other_identifiers_are_pointed_at_and_addresses_refused(
    store: Path, tmp_path: Path
) -> None:
    files = {
        "patient.csv": "patient_id,centre_id\nP1,ana@clinic.example\n",
        "tumour.csv": "tumour_id,patient_id,eye,thickness_mm,largest_basal_diameter_mm\n"
        "Miller left,P1,left,5,10\nT2-1950-03-12,P1,left,5,10\nT3,P1,left,5,10\n",
        "implant.csv": "implant_id,tumour_id,inserted_at,operator_code\n"
        "I-2020-03-12,T3,2020-03-12 10:00,Dr Miller\n",
    }
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    result = take_in(store, [tmp_path], by="ana", at=AT, check_only=True)
    looks = {
        (finding.found, finding.severity)
        for finding in result.findings
        if "code that names no one" in finding.allowed or "e-mail" in finding.allowed
    }
    assert looks == {
        ("ana@clinic.example", "error"),
        ("Miller left", "warning"),
        ("T2-1950-03-12", "warning"),
        ("Dr Miller", "warning"),
    }
