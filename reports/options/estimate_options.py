"""Options of the table commands that are lists, levels and codes, read strictly."""

from __future__ import annotations

import math
from collections.abc import Sequence

from registry.errors import UsageError


def check_level(level: float) -> None:
    """Refuse a confidence level that is a percentage or an error rate.

    Raises
    ------
    UsageError
        Unless 0.5 ≤ level < 1; says what 95 or 0.05 probably meant.
    """
    if 0.5 <= level < 1:
        return
    meant = level / 100 if 50 <= level < 100 else 1 - level if 0 < level < 0.5 else None
    hint = "" if meant is None else f" Did you mean {meant:g}?"
    raise UsageError(
        f"--level {level:g}: a confidence level is at least 0.5 and below 1.{hint}",
        option="--level",
    )


def check_landmark(landmark: float | None) -> None:
    """Refuse a landmark that is no time after treatment.

    Raises
    ------
    UsageError
        Unless it is a finite number of years above 0 and up to 50.
    """
    if landmark is not None and not 0 < landmark <= 50:
        raise UsageError(
            f"--landmark {landmark:g}: give the years after treatment from which to count, above 0"
            " and up to 50.",
            option="--landmark",
        )


def split_list(parts: Sequence[str] | None) -> list[str]:
    """Split a list option: commas and repeats both count.

    Examples
    --------
    >>> split_list(["1,2", "5"])
    ['1', '2', '5']
    """
    return [piece.strip() for part in parts or () for piece in part.split(",") if piece.strip()]


def read_times(parts: Sequence[str] | None, option: str = "--at") -> tuple[float, ...]:
    """Read a list of times.

    Raises
    ------
    UsageError
        For anything but finite numbers ≥ 0.
    """
    times = []
    for text in split_list(parts):
        try:
            time = float(text)
        except ValueError:
            time = math.nan
        if not (math.isfinite(time) and time >= 0):
            raise UsageError(
                f"{option} {text}: a time is a finite number of at least 0.", option=option
            )
        times.append(time)
    return tuple(times)


def read_codes(parts: Sequence[str] | None) -> dict[str, int] | None:
    """Read what the values of an event column stand for, such as ``1=0,2=1``.

    Raises
    ------
    UsageError
        For a part that is not FOUND=CODE with a code 0, 1, 2, ..., or a value named twice.
    """
    if not parts:
        return None
    codes: dict[str, int] = {}
    for text in split_list(parts):
        found, sign, code = (piece.strip() for piece in text.rpartition("="))
        if not sign or not found or not code.isdecimal():
            raise UsageError(
                f"--event-codes {text}: write FOUND=CODE, such as 1=0,2=1 (0 censored, 1 the "
                "event, 2, 3, ... competing).",
                option="--event-codes",
            )
        if found in codes:
            raise UsageError(f"--event-codes names {found!r} twice.", option="--event-codes")
        codes[found] = int(code)
    return codes
