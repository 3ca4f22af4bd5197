"""Makes room on a full disk by deleting old pictures.

The policy: deleted runs give first, then the oldest, the one being watched last. Within a run every
second picture goes, then every second of those left, and so on down to one in sixteen. What stays
in any case: the pictures of flagged moments and five on either side, the first and the newest sixty
of a run, and everything that was measured: only pictures are deleted, never a reading or an advice.
Before a picture goes its preview is made; when all that is not enough, the previews go too.
"""

from __future__ import annotations

import contextlib
import json
import shutil
from collections.abc import Iterable
from pathlib import Path

from sqlite_utils import Database

from watcher.store import disk, previews

LEAST_FREE = 64 * 2**20
"""Bytes; room enough for the database and a few hundred pictures."""
BESIDE_MOMENT = 5
NEWEST = 60
COARSEST = 16


def thin(db: Database, folder: Path, least_free: int) -> int:
    """Delete pictures, and at last previews, until ``least_free`` bytes are free or the policy
    forbids more; returns how many files went."""
    gone = 0
    runs = [row["id"] for row in db.query("SELECT id FROM runs ORDER BY deleted_utc_s IS NULL, id")]
    for run_id in runs:
        frames = folder / "runs" / str(run_id) / "frames"
        for keep_every in (2, 4, 8, COARSEST):
            if shutil.disk_usage(folder).free >= least_free:
                return gone
            gone += _delete(db, run_id, frames, may_go(*_numbers(db, run_id), keep_every))
    for run_id in runs:
        if shutil.disk_usage(folder).free >= least_free:
            break
        gone += previews.forget(folder / "runs" / str(run_id))
    return gone


def _numbers(db: Database, run_id: int) -> tuple[list[int], list[int]]:
    frames = db.query(
        "SELECT number FROM frames WHERE run_id = ? AND NOT thinned ORDER BY number", (run_id,)
    )
    moments = db.query("SELECT number FROM moments WHERE run_id = ?", (run_id,))
    return [row["number"] for row in frames], [row["number"] for row in moments]


def may_go(numbers: list[int], moments: Iterable[int], keep_every: int) -> list[int]:
    """Which of a run's pictures may be deleted so that one in ``keep_every`` is left."""
    flagged = {
        n for moment in moments for n in range(moment - BESIDE_MOMENT, moment + BESIDE_MOMENT + 1)
    }
    old = numbers[1:-NEWEST] if len(numbers) > NEWEST else []
    return [n for n in old if n % keep_every and n not in flagged]


def _delete(db: Database, run_id: int, frames: Path, numbers: list[int]) -> int:
    """Files first: on a full disk the database can only write once they are gone, and neither can
    the previews of a sheet before its pictures are."""
    names = {
        row["number"]: row["name"]
        for row in db.query(
            "SELECT number, name FROM frames WHERE run_id = ? AND NOT thinned", (run_id,)
        )
    }
    size = _frame_size(db, run_id)
    for sheet in sorted({number // previews.FINE.span for number in numbers}):
        path = previews.path_of(frames.parent, previews.FINE, sheet, size)
        jpeg = None
        # A sheet that is not full yet would be made again, without what is deleted now.
        full = (sheet + 1) * previews.FINE.span <= max(names) + 1
        if full and not path.exists():
            jpeg, _ = previews.made(frames, names, previews.FINE, sheet, size)
        for number in numbers:
            if number // previews.FINE.span == sheet:
                with contextlib.suppress(FileNotFoundError):
                    (frames / names[number]).unlink()
        if jpeg is not None:
            previews.keep(path, jpeg, spare=0)
    with disk.one_transaction(db):
        for number in numbers:
            db.execute(
                "UPDATE frames SET thinned = 1 WHERE run_id = ? AND number = ?", (run_id, number)
            )
    return len(numbers)


def _frame_size(db: Database, run_id: int) -> tuple[int, int]:
    (row,) = db.query("SELECT setup FROM runs WHERE id = ?", (run_id,))
    width, height = json.loads(row["setup"])["frame_size"]
    return width, height
