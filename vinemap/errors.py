"""The few exceptions a user can meet: each says what was wrong, where, and what to do."""

from __future__ import annotations

import errno


class VinemapError(Exception):
    """Base of every refusal that the user can mend; the command line exits with status 1.

    Parameters
    ----------
    what : str
        What was wrong, with the value seen.
    where : str, optional
        File and row (or table, block, setting) in which it was seen.
    remedy : str, optional
        What to do about it.

    Examples
    --------
    >>> print(VinemapError("Speed is negative (-3.0 m/s).", where="a.csv, row 12", remedy="Remove the row."))
    a.csv, row 12: Speed is negative (-3.0 m/s). Remove the row.
    """

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        head = f"{where}: " if where else ""
        tail = f" {remedy}" if remedy else ""
        super().__init__(f"{head}{what}{tail}")

    def __reduce__(self) -> tuple[object, ...]:
        """Survive pickling between worker processes with all three parts."""
        return (_rebuild, (type(self), self.what, self.where, self.remedy))


def _rebuild(kind: type[VinemapError], what: str, where: str, remedy: str) -> VinemapError:
    return kind(what, where=where, remedy=remedy)


class IntakeError(VinemapError):
    """A source file cannot be read as asked."""


class SettingsError(VinemapError):
    """A setting in estate.toml is missing, misspelt or out of bounds."""


class StoreError(VinemapError):
    """The estate folder is missing, locked, damaged or of another format version."""


class GeometryError(VinemapError):
    """Outlines, rows or positions that cannot be used: no CRS, degrees where metres are needed, ..."""


class DataError(VinemapError, ValueError):
    """A table is well formed but does not support the work asked of it; also what scikit-learn expects."""


class TableError(VinemapError):
    """A table that crosses a stage lacks a column or holds the wrong type (see `vinemap.tables`)."""


_FULL = (errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC))
# As SQLite, GDAL and Arrow say it, who do not always pass the number on.
_FULL_WORDS = ("no space left", "file too large", "disk is full", "disk i/o error", "disk quota")


def is_full(error: BaseException | None) -> bool:
    """Whether an error, or one that led to it, says that the disk is full.

    Examples
    --------
    >>> is_full(OSError(28, "No space left on device")), is_full(OSError(2, "No such file"))
    (True, False)
    """
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        seen.add(id(error))
        words = str(error).casefold()
        if getattr(error, "errno", None) in _FULL or any(one in words for one in _FULL_WORDS):
            return True
        error = error.__cause__ or error.__context__
    return False


DISK_FULL = VinemapError(
    "The disk is full, or does not take a file so large.",
    remedy="Make room and run the same command again: what is stored is whole, what was worked out is kept.",
)
