"""The border to disk and SQLite: opening, one transaction, picture files, and their errors."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from sqlite_utils import Database

from watcher.trouble import BadStore, FullDisk

DATABASE = "watcher.db"
WAIT_S = 20.0
_NEARLY_NOTHING_BYTES = 256 * 1024


def trouble(error: Exception, folder: Path) -> BadStore:
    """Say in one sentence what an error of SQLite or of the file system means for the user."""
    code = getattr(error, "sqlite_errorcode", None)
    primary = code & 0xFF if code is not None else None
    number = error.errno if isinstance(error, OSError) else None
    if (
        primary == sqlite3.SQLITE_FULL
        or number in {errno.ENOSPC, errno.EDQUOT}
        or (primary in {sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN} and _no_room(folder))
    ):
        return FullDisk(
            f"The disk that holds the data folder {folder} is full; what was kept so far is safe.",
            "Free some space, or choose another folder with --data.",
        )
    if primary == sqlite3.SQLITE_NOTADB:
        return BadStore(
            f"{folder / DATABASE} is not a database.",
            "Move it away, or choose another folder with --data.",
        )
    if primary == sqlite3.SQLITE_CORRUPT:
        return BadStore(
            f"The database {folder / DATABASE} is damaged.",
            "Move the folder away and start a new one, or restore it from a copy.",
        )
    if primary in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
        return BadStore(
            f"Another program keeps the database in {folder} locked.",
            "Close it and try again.",
        )
    if primary in {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM} or (
        isinstance(error, OSError)
    ):
        reason = f" ({error.strerror})" if isinstance(error, OSError) and error.strerror else ""
        return BadStore(
            f"The data folder {folder} can't be used{reason}.",
            "Make it readable and writable for you, or choose another folder with --data.",
        )
    return BadStore(
        f"The data folder {folder} can't be used ({error}).", "Try another with --data."
    )


def _no_room(folder: Path) -> bool:
    try:
        return shutil.disk_usage(folder).free < _NEARLY_NOTHING_BYTES
    except OSError:
        return False


@contextlib.contextmanager
def told(folder: Path) -> Iterator[None]:
    """Translate errors of SQLite and of the file system into ``BadStore``."""
    try:
        yield
    except (sqlite3.ProgrammingError, sqlite3.IntegrityError):
        raise  # a mistake in the program, not in the data folder
    except (sqlite3.Error, OSError) as error:
        raise trouble(error, folder) from error


def _log_ahead(connection: sqlite3.Connection, wait_s: float) -> None:
    """Switch to write-ahead logging. SQLite does not wait for that by itself where another program
    opens or closes the same database at that moment."""
    latest = time.monotonic() + wait_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() >= latest:
                raise
            time.sleep(0.02)


def connect(path: Path, *, write: bool, wait_s: float = WAIT_S) -> Database:
    """Open a database file; SQLite's own errors come out."""
    mode = "rwc" if write else "ro"
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=wait_s, isolation_level=None
    )
    try:
        if write:
            _log_ahead(connection, wait_s)
        connection.execute("PRAGMA foreign_keys = ON")
        return Database(connection, execute_plugins=False)
    except BaseException:
        connection.close()
        raise


@contextlib.contextmanager
def one_transaction(db: Database) -> Iterator[None]:
    """All or nothing. Takes the write lock at once: a transaction that first reads and then wants
    to write fails without waiting where another writer came in between."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        # A full disk may already have ended the transaction; then this does nothing.
        with contextlib.suppress(sqlite3.Error):
            db.rollback()
        raise


def is_plain_name(name: str) -> bool:
    """Whether ``name`` is a file name that stays in its folder and can't hide there."""
    return (
        0 < len(name.encode("utf-8", "surrogatepass")) <= 200
        and not name.startswith(".")
        and name.isprintable()
        and "/" not in name
        and "\\" not in name
    )


def plain(name: str) -> str:
    """A file name made from any words, different for different words."""
    kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in name)[:40]
    return f"{kept}-{hashlib.sha256(name.encode()).hexdigest()[:8]}"


def write_file(path: Path, content: bytes) -> None:
    """Write a file so that it is there whole or not at all, even after a power cut."""
    handle, temporary = tempfile.mkstemp(prefix=".new-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """Make a rename last; some systems can't open a folder, and then it is left out."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)
