"""Files of a shelf, reached without following links and read only up to a limit.

A shelf may come from somewhere else: a memory stick, a mail. A link in it could point anywhere,
a named pipe would make padlab wait for ever, and a file could be made to fill the memory. So
every file of a run is opened here, and only here.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import time
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path

from padlab.errors import InputError, PadlabError, RunError
from padlab.words import quoted

FILE_LIMIT = 1 << 30
"""No single file of a run is read beyond 1 GiB: an endurance run of a day stays far below it."""

EXPANSION_LIMIT = 200
"""A .gz may grow this many times: tables of numbers grow 3 to 30 times, a made-up one up to 1000."""


def is_link(path: Path) -> bool:
    """Whether the path itself is a symbolic link (or, on Windows, a junction)."""
    return path.is_symlink() or bool(getattr(os.path, "isjunction", lambda _: False)(path))


def refuse_links(root: Path, *parts: str) -> Path:
    """Join ``parts`` to ``root`` and refuse the path if anything below the root is a link.

    The root itself was named by the person at the keyboard and may be a link.

    Raises
    ------
    RunError
        Something below the root is a link.
    """
    path = root
    for part in parts:
        if part in ("", ".", "..") or any(c in part for c in "/\\\0:"):
            raise RunError(
                f"{part[:60]!r} is not a plain name",
                expected="the name of one file or folder of the shelf",
                seen=part[:60],
                where={"path": str(root)},
            )
        path = path / part
        if is_link(path):
            raise RunError(
                f"{path} is a link",
                expected="a folder or file of the shelf itself",
                seen="a link, which padlab does not follow",
                remedy="copy what it points to into its place",
                where={"path": str(path)},
            )
    return path


def read_bytes(root: Path, *parts: str, limit: int = FILE_LIMIT) -> bytes:
    """Read a plain file below ``root``, no more than ``limit`` bytes.

    Raises
    ------
    RunError
        A link, no plain file, missing, or larger than the limit.
    """
    path = refuse_links(root, *parts)
    flags = (
        os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    )
    try:
        handle = os.open(path, flags)
    except OSError as fault:
        raise RunError(
            f"{path} cannot be read",
            expected="a readable file",
            seen=fault.strerror,
            where={"path": str(path)},
        ) from fault
    about = os.fstat(handle)
    if not stat.S_ISREG(about.st_mode):
        os.close(handle)
        raise RunError(
            f"{path} is not a plain file",
            expected="a plain file",
            seen="something else",
            where={"path": str(path)},
        )
    with os.fdopen(handle, "rb") as file:
        data = file.read(limit + 1)
    if len(data) > limit:
        raise RunError(
            f"{path} is too large",
            expected=f"at most {limit} bytes",
            seen=f"{about.st_size} bytes",
            where={"path": str(path)},
        )
    return data


def read_table_bytes(root: Path, *parts: str) -> bytes:
    """Read a .csv or .csv.gz file below ``root``; what is packed is unpacked within limits.

    Raises
    ------
    RunError
        As :func:`read_bytes`, or a damaged or overblown .gz.
    """
    return unpacked(read_bytes(root, *parts), root.joinpath(*parts))


def unpacked(stored: bytes, path: Path) -> bytes:
    """The bytes of a table as read from ``path``: unpacked within limits where it is a .gz.

    Raises
    ------
    RunError
        A damaged or overblown .gz.
    """
    if path.suffix != ".gz":
        return stored
    limit = min(FILE_LIMIT, EXPANSION_LIMIT * len(stored) + (1 << 20))
    engine = zlib.decompressobj(wbits=31)
    where = {"path": str(path)}
    try:
        data = engine.decompress(stored, limit)
    except zlib.error as fault:
        raise RunError(
            f"{where['path']} is damaged", expected="a gzip file", seen=str(fault), where=where
        ) from fault
    if not engine.eof or engine.unused_data:
        raise RunError(
            f"{where['path']} is damaged",
            expected=f"one whole gzip file of at most {limit} bytes unpacked",
            seen="a cut, longer or overblown one",
            where=where,
        )
    return data


def read_named(path: str | Path, *, limit: int) -> bytes:
    """Read a file that a person named (a link is theirs to follow), no more than ``limit`` bytes.

    Raises
    ------
    InputError
        No such file, no plain file, or larger than the limit.
    """
    shown = str(path)[:200]
    where = {"path": shown}
    try:
        mode = Path(path).stat().st_mode           # asked before opening: a pipe would wait for ever
        if not stat.S_ISREG(mode):
            raise InputError(
                f"{quoted(shown)} is not a plain file", expected="a file", seen=_what(mode),
                remedy="name the file itself", where=where,
            )
        with Path(path).open("rb") as file:
            data = file.read(limit + 1)
    except OSError as fault:
        raise InputError(
            f"{quoted(shown)} cannot be read", expected="a readable file", seen=fault.strerror,
            remedy="see that the name is right and that you may read the file", where=where,
        ) from fault
    except ValueError as fault:
        if isinstance(fault, InputError):
            raise
        raise InputError(
            f"{quoted(shown)} is no file name", expected="a file", seen=str(fault), where=where
        ) from fault
    if len(data) > limit:
        raise InputError(
            f"{quoted(shown)} is too large", expected=f"at most {limit} bytes", seen="more", where=where
        )
    return data


def _what(mode: int) -> str:
    kinds = ((stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"))
    return next((name for is_one, name in kinds if is_one(mode)), "a device")


FULL = (errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC))
SHUT = (errno.EROFS, errno.EACCES, errno.EPERM)


def unwritable(path: Path, fault: OSError) -> RunError:
    """The one error for a file or folder that the system does not let padlab write."""
    expected, remedy = "a file or folder that can be written", None
    if fault.errno in FULL:
        expected, remedy = "room on the disk", "make room; what was written before is kept"
    elif fault.errno in SHUT:
        remedy = "choose a shelf in a folder that you may write to, or have this one opened to you"
    return RunError(
        f"{quoted(path)} cannot be written",
        expected=expected,
        seen=fault.strerror or type(fault).__name__,
        remedy=remedy,
        where={"path": str(path)[:200]},
    )


@contextlib.contextmanager
def writing(path: Path) -> Iterator[None]:
    """A full disk or a shut folder is one clear error that names ``path``.

    Raises
    ------
    RunError
        In place of any OSError but FileExistsError, which means something else to each caller.
    """
    try:
        yield
    except FileExistsError:
        raise
    except OSError as fault:
        if isinstance(fault, PadlabError):     # it has its words already
            raise
        raise unwritable(path, fault) from fault


def write_whole(path: Path, data: bytes | Iterable[bytes]) -> None:
    """Put ``data`` in place of ``path`` in one step: whoever reads sees the old file or the new one.

    Raises
    ------
    RunError
        The disk is full or the folder cannot be written; the old file stands as it was.
    """
    fresh = path.with_name(f".{path.name}.new")
    with writing(path):
        fresh.unlink(missing_ok=True)  # left by a crash; or a link somebody planted
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        try:
            with os.fdopen(os.open(fresh, flags, 0o666), "wb") as file:
                file.writelines([data] if isinstance(data, bytes) else data)
                file.flush()
                os.fsync(file.fileno())
        except BaseException:
            with contextlib.suppress(OSError):
                fresh.unlink()                 # half a file takes room and serves nobody
            raise
        for attempt in range(50):
            try:
                os.replace(fresh, path)
                break
            except PermissionError:  # Windows: somebody reads the old file at this moment
                if os.name != "nt" or attempt == 49:
                    raise
                time.sleep(0.01)
        sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make the names in a folder last through a power cut, where the system can do it."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
