"""Each rule of ``check`` fires exactly where it was planted by hand, and not one step beside it.

All cases stand in one registry that goes through the ordinary intake (:mod:`check_cases`).
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest
from check_cases import CASES, CUT, GROWTH, Case, Rows, everyone

from analysis.checking.check_declaration import SEVERITIES, CheckRule, Tolerances
from analysis.checking.check_measures import SAID_ELSEWHERE
from analysis.checking.check_rules import CHECK_RULES
from analysis.checking.checks import CheckFinding, RegistryCheck, check_registry
from analysis.implants import placement_exceptions
from analysis.outcomes.cohort import DataCut
from registry.records import TABLES
from registry.store import create_store, open_store
from registry.taking_in.intake import take_in

AT = datetime(2026, 1, 5)


def write_csv(folder: Path, rows: Rows) -> None:
    folder.mkdir()
    for table, records in rows.items():
        names = [one.name for one in TABLES[table].fields if not one.is_derived]
        with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, names, restval="")
            writer.writeheader()
            writer.writerows(records)


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RegistryCheck]:
    folder = tmp_path_factory.mktemp("cases")
    write_csv(folder / "files", everyone())
    path = folder / "cases.registry"
    create_store(path, centre_id="invented", by="tester", at=AT)
    taken = take_in(path, [folder / "files"], by="tester", why="test", at=AT)
    assert taken.taken, [one for one in taken.findings if one.severity == "error"]
    with open_store(path) as store:
        before = store.connection.execute("SHOW TABLES").fetchall()
        yield check_registry(store.connection, DataCut(CUT), store.settings())
        assert store.connection.execute("SHOW TABLES").fetchall() == before


def about(checked: RegistryCheck, p: str) -> list[CheckFinding]:
    own = re.compile(rf"\w+:{p}(\||-|$)")
    return [one for one in checked.findings if one.patient_id == p or own.match(one.record)]


@pytest.mark.parametrize(("k", "case"), list(enumerate(CASES)), ids=[case.rule for case in CASES])
def test_the_rule_fires_where_it_was_planted(checked: RegistryCheck, k: int, case: Case) -> None:
    found = about(checked, f"P{k:03d}F")
    assert {one.rule.name for one in found} == {case.rule} | case.also
    (own,) = [one for one in found if one.rule.name == case.rule]
    assert own.record == case.record.replace("@", f"P{k:03d}F")
    if case.amount is None:
        assert not own.rule.unit or own.amount is None or own.rule.unit in ("days", "mm")
    else:
        assert own.amount == pytest.approx(case.amount, abs=0.01)
        assert own.rule.unit


@pytest.mark.parametrize(("k", "case"), list(enumerate(CASES)), ids=[case.rule for case in CASES])
def test_the_rule_is_silent_one_step_beside(checked: RegistryCheck, k: int, case: Case) -> None:
    assert {one.rule.name for one in about(checked, f"P{k:03d}C")} == case.still


@pytest.mark.parametrize(("k", "growth"), list(enumerate(GROWTH)))
def test_growth_needs_two_visits_above_the_lowest_two(
    checked: RegistryCheck, k: int, growth: tuple[tuple[str, ...], str | None, float | None]
) -> None:
    _, rule, grown = growth
    found = about(checked, f"G{k:03d}")
    assert [one.rule.name for one in found] == ([rule] if rule else [])
    assert [one.amount for one in found] == pytest.approx([grown] if rule else [])


def test_nothing_is_said_about_a_calm_record(checked: RegistryCheck) -> None:
    assert about(checked, "CALM") == []


def test_every_rule_has_a_case() -> None:
    refused_at_intake = {"removal_before_insertion", "record_of_untreated_eye"}
    planted = {case.rule for case in CASES} | {rule for _, rule, _ in GROWTH if rule}
    assert planted | refused_at_intake == set(CHECK_RULES)
    assert len(CHECK_RULES) >= 80


def test_findings_come_worst_first_and_are_counted(checked: RegistryCheck) -> None:
    ranks = [SEVERITIES.index(one.severity) for one in checked.findings]
    assert ranks == sorted(ranks)
    assert sum(checked.count_rules().values()) == len(checked.findings)
    assert sum(checked.count_severities().values()) == len(checked.findings)


def test_the_table_says_of_every_rule_what_contradicts_what_and_what_to_do() -> None:
    for name, rule in CHECK_RULES.items():
        assert name == rule.name
        assert rule.contradicts
        assert rule.remedy
        assert rule.source
        assert re.fullmatch(r"[a-z0-9_]+", name)


def test_every_exception_of_the_placement_check_has_a_rule() -> None:
    source = Path(placement_exceptions.__file__).read_text(encoding="utf-8")
    codes = set(re.findall(r'PlacementException\(\s*"(\w+)"', source))
    codes |= set(re.findall(r'_mm",\s+"(\w+)",\s+"', source))
    assert len(codes) >= 18
    assert codes - set(SAID_ELSEWHERE) <= set(CHECK_RULES)


def test_a_rule_needs_a_known_severity_and_table() -> None:
    with pytest.raises(ValueError, match="severity 'loud'"):
        CheckRule("x", "loud", "patient", "a", "b")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="table 'person'"):
        CheckRule("x", "error", "person", "a", "b")
    with pytest.raises(ValueError, match="dose_fraction is 0 or more, found -1"):
        Tolerances(dose_fraction=-1)
