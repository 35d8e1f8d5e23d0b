"""Files on storage as fsspec reaches it: opened, listed with what tells their content, refusals in words."""

from __future__ import annotations

import json
import logging
import os
import re
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any
from urllib.parse import unquote

from vinemap.errors import StoreError, VinemapError, is_full
from vinemap.estate import layout

# What storages say of a file's content; where none is said, the time of writing stands in.
TELLS_CONTENT = ("ETag", "etag", "md5Hash", "content_md5", "Content-MD5", "Digest", "checksum", "generation")
TELLS_TIME = (
    "LastModified",
    "Last-Modified",
    "last_modified",
    "mtime",
    "modified",
    "updated",
    "modify",
    "last_write_time",
    "created",
)
HTTP = ("http", "https")
NOT_ALLOWED = (401, 403)  # status of HTTP: who asks is unknown, or may not
NOT_THERE = 404
NOT_OFFERED = (405, 501)  # the server does not do such a thing at all
NAMED_MOST = 5  # files named in a refusal
SAID_MOST = 200  # characters of what a library says that are passed on


@dataclass(frozen=True, slots=True)
class Found:
    """One file on storage.

    Attributes
    ----------
    path : str
        As the storage calls it.
    size : int or None
        [bytes]; None if the storage does not say.
    mark : str or None
        Differs when the content does; None if the storage says nothing of the kind.
    """

    path: str
    size: int | None
    mark: str | None


def open_storage(url: str) -> tuple[Any, str]:
    """Give the file system of an address and the path in it, without a slash at the end.

    Raises
    ------
    StoreError
        If fsspec, or the package for this kind of address, is not installed.
    """
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise StoreError(
            "fsspec is not installed.",
            where=shown(url),
            remedy="Install it with: pip install 'vinemap[cluster]'.",
        ) from error
    with telling(url):
        try:
            storage, root = url_to_fs(url, **_fewer_tries(url))
        except ImportError as error:
            raise StoreError(
                f"This address cannot be used: {_said(error)}.",
                where=shown(url),
                remedy="Install that package beside vinemap (pip install ...), then run again.",
            ) from error
        except ValueError as error:
            raise StoreError(
                f"This address cannot be used: {_said(error)}.",
                where=shown(url),
                remedy="Write it as s3://bucket/estate, sftp://host/folder or file:///folder.",
            ) from error
    return storage, str(root).rstrip("/")


def _fewer_tries(url: str) -> dict[str, Any]:
    """Tell S3 to try less often: s3fs tries six times what botocore tries five times, minutes on end.

    What the user has set of it stays.
    """
    from fsspec.config import conf

    if (
        not url.startswith("s3://")
        or "AWS_MAX_ATTEMPTS" in os.environ
        or "config_kwargs" in conf.get("s3", {})
    ):
        return {}
    return {"config_kwargs": {"retries": {"max_attempts": 1}}}


def shown(url: str) -> str:
    """Address as it may be shown and kept: without the password that some carry.

    Examples
    --------
    >>> shown("sftp://anna:se/cr:et@host/estate/"), shown("s3://bucket/estate")
    ('sftp://anna@host/estate', 's3://bucket/estate')
    """
    return re.sub(r"(://[^/@:]*):.*@", r"\1@", url).rstrip("/")


def name_some(names: Collection[str]) -> str:
    """Name a few files and how many more there are.

    Examples
    --------
    >>> name_some(["b", "a"]), name_some("abcdefg")
    ('a, b', 'a, b, c, d, e and 2 more')
    """
    told = ", ".join(sorted(names)[:NAMED_MOST])
    return told + (f" and {len(names) - NAMED_MOST} more" if len(names) > NAMED_MOST else "")


@contextmanager
def telling(url: str) -> Iterator[None]:
    """Say in words what a storage refuses. Every kind of storage raises errors of its own library.

    Raises
    ------
    StoreError
        For any error but those of vinemap and of a full disk here.
    """
    tasks = logging.getLogger("asyncio")  # prints tracebacks of tries that broke off; the last one is told
    level = tasks.level
    tasks.setLevel(logging.CRITICAL)
    try:
        yield
    except VinemapError:
        raise
    except Exception as error:
        if is_full(error):
            raise
        reason = _reason(error)
        what, remedy = _explain(reason)
        raise StoreError(what, where=shown(url), remedy=remedy) from reason
    finally:
        tasks.setLevel(level)


def _reason(error: Exception) -> Exception:
    """Give what led to an error where fsspec says "not found" of a server that does not answer or refuses."""
    cause = error.__cause__
    if not isinstance(error, FileNotFoundError) or not isinstance(cause, Exception):
        return error
    of_http = type(cause).__module__.startswith("aiohttp")
    return cause if of_http and getattr(cause, "status", None) != NOT_THERE else error


def _explain(error: Exception) -> tuple[str, str]:
    status, said = getattr(error, "status", None), _said(error)
    if isinstance(error, FileNotFoundError) or status == NOT_THERE:
        return f"It is not there: {said}.", "Check the address."
    if isinstance(error, PermissionError) or status in NOT_ALLOWED or _about_keys(error):
        return (
            f"The storage does not let you do this: {said}.",
            "Check the user, key or password where that storage keeps them (environment or configuration), "
            "and that they may read, and for vinemap send also write and delete, there.",
        )
    if isinstance(error, NotImplementedError) or status in NOT_OFFERED:
        return (
            f"Nothing can be written at this address: {said}.",
            "Send to one that takes files, such as s3://, sftp:// or a shared folder.",
        )
    return (
        f"The storage does not answer, or broke off: {said}.",
        "Check the address and the network, then run the same command again; nothing is lost.",
    )


def _about_keys(error: Exception) -> bool:
    """Whether an error says that who asks is not known, e.g. that no key was given."""
    name = type(error).__name__
    return any(word in name for word in ("Credential", "Authentication", "Unauthorized", "Token"))


def _said(error: BaseException) -> str:
    said = " ".join(str(error).split())[:SAID_MOST].rstrip(". ")
    return said or type(error).__name__


def need_estate(storage: Any, root: str, url: str) -> None:
    """Refuse to go on if the storage answers and has no estate there.

    Raises
    ------
    StoreError
    """
    try:
        with telling(url):
            storage.info(f"{root}/{layout.FORMAT_FILE}")
    except StoreError as error:
        if isinstance(error.__cause__, FileNotFoundError):
            raise StoreError(
                "There is no estate there.", where=shown(url), remedy="Check the address."
            ) from error
        raise


def list_files(storage: Any, root: str) -> dict[str, Found]:
    """Every file below a path of the storage by its name relative to it; empty if there is none.

    Raises
    ------
    StoreError
        If a name leads out of the folder.
    """
    storage.invalidate_cache()
    found = {}
    for path, info in storage.find(root, detail=True).items():
        name = _name(str(path), root)
        if not name or name.endswith("/"):
            continue  # consoles of object storage mark a folder by an empty object of its name
        if info.get("size") is None:
            info = storage.info(path)  # lists over HTTP tell names only
        found[name] = Found(str(path), info.get("size"), _mark(info))
    return dict(sorted(found.items()))


def _name(path: str, root: str) -> str:
    name = path.removeprefix(root).lstrip("/")
    if path.split("://")[0] in HTTP:
        name = unquote(name)
    parts = PurePosixPath(name).parts
    if ".." in parts or "\\" in name or ":" in name or PurePosixPath(name).is_absolute():
        raise StoreError(
            f"A file there is called {name!r}, which leads out of the estate.",
            where=path,
            remedy="Remove or rename it there.",
        )
    return name


def _mark(info: Mapping[str, Any]) -> str | None:
    for key in (*TELLS_CONTENT, *TELLS_TIME):
        if info.get(key) is not None:
            return json.dumps([info.get("size"), str(info[key])])
    return None
