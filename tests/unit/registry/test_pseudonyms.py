"""Pseudonyms: the standard hash behind them, their form, and what the command writes."""

from __future__ import annotations

import base64
import hashlib
import hmac
import io
from pathlib import Path

import duckdb
import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.engine.encryption import make_key
from registry.entry_rules.identifier_rules import BIRTH_DATE, EMAIL, LONG_NUMBER, NAME, OLD_DATE
from registry.errors import RefusedInputError
from registry.safekeeping import pseudonyms
from registry.safekeeping.pseudonyms import (
    ALPHABET,
    make_pseudonym,
    make_pseudonyms,
    name_key,
    normalise,
)
from registry.safekeeping.sealing import read_or_make_key
from reports.app import app
from reports.command_frame import run_in_frame

KEY = bytes(range(32))


def _by_base64(text: str, key: bytes) -> str:
    """Make the same by the standard library's RFC 4648 base 32, letters put in place of letters."""
    digest = hmac.digest(key, text.encode(), "sha256")
    rfc = base64.b32encode(digest)[:12].decode()
    symbols = rfc.translate(str.maketrans("ABCDEFGHIJKLMNOPQRSTUVWXYZ234567", ALPHABET))
    return f"P-{symbols[:4]}-{symbols[4:8]}-{symbols[8:]}"


@given(st.text(min_size=1).filter(lambda text: text.strip()), st.binary(min_size=32, max_size=32))
def test_it_is_hmac_sha256_in_base_32(text: str, key: bytes) -> None:
    if normalise(text):
        assert make_pseudonym(text, key) == _by_base64(normalise(text), key)


def test_hmac_is_the_one_of_the_standard() -> None:
    # RFC 4231, test case 2: key "Jefe", data "what do ya want for nothing?".
    expected = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert (
        hmac.new(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hexdigest() == expected
    )


def test_one_person_one_pseudonym() -> None:
    made = make_pseudonyms(["0012", " 0012 ", "", "12", "00-12", "０012"], KEY)
    assert made.in_order[0] == made.in_order[1] == made.in_order[5]
    assert made.in_order[2] is None
    assert len({*made.in_order}) == 4
    assert made.distinct == 3
    assert make_pseudonym("0012", bytes(32)) != made.in_order[0]
    assert make_pseudonym("0012", KEY, prefix="NK").startswith("NK-")
    for identifier, key in ((" ", KEY), ("0012", b"short")):
        with pytest.raises(ValueError, match="key of 32 bytes"):
            make_pseudonym(identifier, key)


def test_a_collision_is_refused_by_line_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pseudonyms, "make_pseudonym", lambda text, key, prefix: "P-0000-0000-0000")
    with pytest.raises(RefusedInputError, match="lines 1 and 3 have the same") as refusal:
        make_pseudonyms(["SECRET1", "secret1", "SECRET2"], KEY)
    assert "SECRET" not in refusal.value.message


def test_no_pseudonym_looks_like_a_name_or_number() -> None:
    made = [make_pseudonym(str(number), KEY) for number in range(20_000)]
    assert len(set(made)) == len(made)
    connection = duckdb.connect()
    for pattern in (NAME, BIRTH_DATE, OLD_DATE, EMAIL, LONG_NUMBER):
        query = f"SELECT count(*) FROM (SELECT unnest(?) AS x) WHERE regexp_matches(x, '{pattern}')"
        assert connection.execute(query, [made]).fetchall() == [(0,)]
    connection.close()


def _run(*arguments: object) -> int:
    return run_in_frame(app, ["pseudonym", *map(str, arguments)])


def test_the_command_writes_pseudonyms_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    key = tmp_path / "key"
    monkeypatch.setattr("sys.stdin", io.StringIO("HOSPITAL77\n\nHOSPITAL78\n"))
    assert _run("--key-file", key, "--make-key") == 0
    told = capsys.readouterr()
    first, blank, second = told.out.splitlines()
    assert (first, second) == tuple(
        make_pseudonym(text, read_or_make_key(key, make=False))
        for text in ("HOSPITAL77", "HOSPITAL78")
    )
    assert blank == ""
    assert "HOSPITAL" not in told.out + told.err
    assert key.stat().st_mode & 0o777 == 0o600
    assert name_key(read_or_make_key(key, make=False)) not in key.read_text()
    assert _run("--key-file", key, "--make-key") == 1  # an existing key is never overwritten
    source = tmp_path / "ids.txt"
    source.write_text("HOSPITAL77\n")
    assert _run("--key-file", key, "--from", source, "--json") == 0
    assert f'"pseudonyms": ["{first}"]' in capsys.readouterr().out
    assert _run("--key-file", tmp_path / "none", "--from", source) == 1
    assert _run("--key-file", key, "--from", tmp_path / "none") == 1
    assert _run("--key-file", key, "--from", source, "--prefix", "a b") == 2
    assert _run("--key-file", key, "HOSPITAL77") == 2  # identifiers are no arguments
    assert "HOSPITAL" not in "".join(file.read_text() for file in [key])
    assert make_key(tmp_path / "two") != key.read_text().strip()
