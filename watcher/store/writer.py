"""Tells a run that is being written from one whose writer died.

The writer of a run holds an exclusive SQLite lock on a small file of its own. The operating
system drops it with the process, however that ends, so no heartbeat or clock is needed.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

_FILE = "writing"


class Writer:
    """Holds the lock of one run until closed."""

    def __init__(self, run_folder: Path) -> None:
        """Raises sqlite3's or the file system's errors where the lock can't be had."""
        self._path = run_folder / _FILE
        # A reader that asks at this moment holds the file for an instant: wait for it.
        self._connection = sqlite3.connect(self._path, timeout=5.0, isolation_level=None)
        try:
            self._connection.execute("BEGIN EXCLUSIVE")
        except BaseException:
            self._connection.close()
            raise

    def close(self) -> None:
        """Let go; may be called twice."""
        self._connection.close()


def writer_lives(run_folder: Path) -> bool:
    """Whether some process holds the lock of this run."""
    path = run_folder / _FILE
    try:
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=0)
    except sqlite3.OperationalError:
        return False
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        return error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
    finally:
        connection.close()
    return False
