"""Naming a registry, records and oneself on the command line."""

from __future__ import annotations

from pathlib import Path

import pytest

from registry.errors import UsageError
from reports.options.record_arguments import name_recorder, split_record, split_store_and_records


@pytest.mark.parametrize(
    ("arguments", "named", "expected"),
    [
        (["a", "patient:P1"], None, ("a", ["patient:P1"])),
        (["a", "patient:P1", "visit:V1"], "b", ("a", ["patient:P1", "visit:V1"])),
        (["patient:P1", "visit:V1"], "b", ("b", ["patient:P1", "visit:V1"])),
        (["patiens:P1"], "b", ("b", ["patiens:P1"])),
    ],
)
def test_the_registry_comes_first_or_from_the_environment(
    arguments: list[str],
    named: str | None,
    expected: tuple[str, list[str]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv("AFTERPLAQUE_STORE", raising=False)
    if named:
        monkeypatch.setenv("AFTERPLAQUE_STORE", named)
    assert split_store_and_records(arguments) == (Path(expected[0]), expected[1])


def test_what_is_missing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("AFTERPLAQUE_STORE", raising=False)
    with pytest.raises(UsageError, match="Name the registry before the record"):
        split_store_and_records(["patient:P1"])
    with pytest.raises(UsageError, match="Name a record as TABLE:KEY"):
        split_store_and_records(["ours.registry"])
    for text in ("patient", "patient: "):
        with pytest.raises(UsageError, match="A record is named TABLE:KEY"):
            split_record(text)


def test_who_records(monkeypatch: pytest.MonkeyPatch) -> None:
    assert name_recorder(" ana ") == "ana"
    monkeypatch.setenv("LOGNAME", "ben")
    assert name_recorder(None) == "ben"
    with pytest.raises(UsageError, match="Say who"):
        name_recorder(" ")
    monkeypatch.setenv("LOGNAME", " ")
    with pytest.raises(UsageError, match="Say who"):
        name_recorder(None)
