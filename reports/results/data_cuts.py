"""Which data cut a report uses: the one asked for, a data lock's own, or the command's default."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from registry.errors import UsageError

if TYPE_CHECKING:
    from registry.store import Store


def settle_cut(store: Store, asked: date | None, default: date) -> date:
    """Return the last day that counts.

    Parameters
    ----------
    store
        An open registry, or a data lock, whose own cut stands unless an earlier one is asked for.
    asked
        The cut that was asked for, if any.
    default
        The cut of a living registry when none was asked for.

    Raises
    ------
    UsageError
        When a later cut than a data lock's own is asked for: the lock does not hold what happened
        after it.
    """
    lock = store.data_lock
    if lock is None:
        return asked or default
    if asked is not None and asked > lock.data_cut:
        raise UsageError(
            f"{store.path.name} is a data lock with data cut {lock.data_cut}; a later cut, {asked},"
            " needs a new lock (`afterplaque snapshot`).",
            option="--data-cut",
        )
    return asked or lock.data_cut
