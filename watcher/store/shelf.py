"""All runs at once, for lists and sums; deleting runs, bringing them back, removing them for good.

A deleted run is only marked at first. ``REMOVED_AFTER_S`` later the next opening for writing
removes its rows and pictures, a run at a time and no longer than ``_PATIENCE_S`` in all, since what
it was opened for may be urgent.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from watcher.records import Advice
from watcher.store import disk, machine
from watcher.store.kept import Lift, Listed, Removed, State
from watcher.store.writer import writer_lives

REMOVED_AFTER_S = 7 * 24 * 3600.0
_PATIENCE_S = 1.0

# One pass over the runs; every other table is entered by its index, once a run.
_LISTED = """
SELECT runs.id, coalesce(nullif(renamed, ''), runs.name) AS name, source, watch,
    started_utc_s, ended_utc_s, ending, deleted_utc_s,
    json_extract(setup, '$.frame_size[0]') AS width,
    json_extract(setup, '$.frame_size[1]') AS height,
    newest.name AS newest_frame, newest.elapsed_s,
    advice.level, advice.sentence, advice.kind, advice.place,
    lift.place AS lift_place, lift.value AS lift_mm, lift.sigma AS lift_sigma,
    told.said,
    (SELECT utc_s FROM answers WHERE run_id = runs.id AND said = 'stopped' ORDER BY id LIMIT 1)
        AS stopped_utc_s,
    (SELECT group_concat(DISTINCT kind) FROM moments WHERE run_id = runs.id) AS kinds,
    json_extract((SELECT notes FROM views WHERE run_id = runs.id AND notes != '{}'
        ORDER BY number DESC LIMIT 1), '$.pace') AS pace,
    jobs.outcome, jobs.material, jobs.notes, jobs.spool_id
FROM runs
LEFT JOIN frames AS newest ON newest.run_id = runs.id AND newest.number =
    (SELECT number FROM frames WHERE run_id = runs.id AND NOT thinned ORDER BY number DESC LIMIT 1)
LEFT JOIN advice ON advice.run_id = runs.id AND advice.number =
    (SELECT max(number) FROM advice WHERE run_id = runs.id)
LEFT JOIN readings AS lift ON lift.rowid =
    (SELECT rowid FROM readings WHERE run_id = runs.id AND kind = 'corner-lift'
        AND value >= 3 * sigma ORDER BY value DESC LIMIT 1)
LEFT JOIN answers AS told ON told.id = (SELECT max(id) FROM answers WHERE run_id = runs.id)
LEFT JOIN jobs ON jobs.run_id = runs.id
WHERE (deleted_utc_s IS NOT NULL) = ?
ORDER BY started_utc_s DESC, runs.id DESC"""


class Shelf:
    """Part of an open store. Every method raises ``BadStore`` where the disk fails."""

    def __init__(self, folder: Path, db: Database) -> None:
        self._folder = folder
        self._db = db
        self.removed: tuple[Removed, ...] = ()
        """What the last ``remove_due`` removed for good."""

    def listed(self, *, deleted: bool = False) -> list[Listed]:
        """All runs, the newest first; or all deleted ones that are still there."""
        return [self._listed(row) for row in self._rows(_LISTED, int(deleted))]

    def deleted(self) -> int:
        """How many deleted runs are still there."""
        (row,) = self._rows("SELECT count(*) AS n FROM runs WHERE deleted_utc_s IS NOT NULL")
        return int(row["n"])

    def counts(self, run_ids: Collection[int]) -> dict[int, tuple[int, int]]:
        """Pictures kept and pictures left out of each of these runs."""
        return {
            row["id"]: (row["frames"], row["skipped"])
            for row in self._rows(
                """SELECT id, (SELECT count(*) FROM frames WHERE run_id = runs.id) AS frames,
                    (SELECT count(*) FROM skipped WHERE run_id = runs.id) AS skipped
                    FROM runs WHERE id IN (SELECT value FROM json_each(?))""",
                json.dumps(list(run_ids)),
            )
        }

    def bytes_of(self, run_id: int) -> int:
        """How much room a run's pictures take."""
        with disk.told(self._folder):
            return _size(self._run_folder(run_id))

    def delete(self, run_ids: Collection[int]) -> list[int]:
        """Mark runs as deleted and return those that now are; a run being watched is left alone."""
        gone = []
        with disk.told(self._folder), disk.one_transaction(self._db):
            for run_id in run_ids:
                rows = list(
                    self._db.query(
                        "SELECT ended_utc_s FROM runs WHERE id = ? AND deleted_utc_s IS NULL",
                        [run_id],
                    )
                )
                if not rows or self._watched(run_id, rows[0]["ended_utc_s"]):
                    continue
                self._db.execute(
                    "UPDATE runs SET deleted_utc_s = ? WHERE id = ?", (machine.utc_s(), run_id)
                )
                gone.append(run_id)
        return gone

    def bring_back(self, run_ids: Collection[int]) -> list[int]:
        """Undo deleting; returns the runs that are back."""
        with disk.told(self._folder), disk.one_transaction(self._db):
            return [
                run_id
                for run_id in run_ids
                if self._db.execute(
                    "UPDATE runs SET deleted_utc_s = NULL WHERE id = ? AND deleted_utc_s >= 0",
                    (run_id,),
                ).rowcount
            ]

    def remove_due(self) -> None:
        """Remove what was deleted long enough ago, with its pictures.

        What can't be removed now, for another writes or the disk fails, is left for the next time:
        nobody who opens a store for something else waits or fails for it.
        """
        removed = []
        latest = machine.monotonic_s() + _PATIENCE_S
        with contextlib.suppress(sqlite3.DatabaseError, OSError), self._not_waiting():
            due = self._db.execute(
                "SELECT id FROM runs WHERE deleted_utc_s <= ? ORDER BY deleted_utc_s",
                (machine.utc_s() - REMOVED_AFTER_S,),
            ).fetchall()
            for (run_id,) in due:
                if machine.monotonic_s() > latest:
                    break
                one = self._remove(run_id)
                if one is not None:
                    removed.append(one)
        self.removed = tuple(removed)

    @contextlib.contextmanager
    def _not_waiting(self) -> Iterator[None]:
        (wait_ms,) = self._db.execute("PRAGMA busy_timeout").fetchone()
        self._db.execute("PRAGMA busy_timeout = 0")
        try:
            yield
        finally:
            self._db.execute(f"PRAGMA busy_timeout = {int(wait_ms)}")

    def _remove(self, run_id: int) -> Removed | None:
        """The pictures first: a run that still has its mark is removed again, files that no row
        knows never would be."""
        with disk.one_transaction(self._db):
            rows = list(
                self._db.query(
                    """SELECT coalesce(nullif(renamed, ''), name) AS name, ended_utc_s
                       FROM runs WHERE id = ? AND deleted_utc_s <= ?""",
                    (run_id, machine.utc_s() - REMOVED_AFTER_S),
                )
            )
            if not rows or self._watched(run_id, rows[0]["ended_utc_s"]):
                return None
            folder = self._run_folder(run_id)
            freed = _size(folder)
            if folder.is_dir():
                shutil.rmtree(folder)
            self._db.execute("DELETE FROM runs WHERE id = ?", (run_id,))
        return Removed(run_id, rows[0]["name"], freed)

    def _watched(self, run_id: int, ended_utc_s: float | None) -> bool:
        return ended_utc_s is None and writer_lives(self._run_folder(run_id))

    def _run_folder(self, run_id: int) -> Path:
        return self._folder / "runs" / str(run_id)

    def _listed(self, row: dict[str, Any]) -> Listed:
        state: State
        if row["ended_utc_s"] is not None:
            state = row["ending"]
        else:
            state = "watching" if self._watched(row["id"], None) else "interrupted"
        kinds = set(row["kinds"].split(",")) if row["kinds"] else set()
        if row["kind"]:
            kinds.add(row["kind"])
        return Listed(
            id=row["id"],
            name=row["name"],
            source=row["source"],
            watch=row["watch"],
            started_utc_s=row["started_utc_s"],
            state=state,
            deleted_utc_s=row["deleted_utc_s"],
            frame_size=(row["width"], row["height"]),
            elapsed_s=row["elapsed_s"] or 0.0,
            newest_frame=row["newest_frame"],
            advice=None
            if row["level"] is None
            else Advice(row["level"], row["sentence"], row["kind"], row["place"]),
            kinds=frozenset(kinds),
            biggest_lift=None
            if row["lift_mm"] is None
            else Lift(row["lift_place"], row["lift_mm"], row["lift_sigma"]),
            said=row["said"],
            stopped_utc_s=row["stopped_utc_s"],
            pace=row["pace"],
            outcome=row["outcome"] or "",
            material=row["material"] or "",
            notes=row["notes"] or "",
            spool_id=row["spool_id"],
        )

    def _rows(self, sql: str, *values: object) -> list[dict[str, Any]]:
        with disk.told(self._folder):
            return list(self._db.query(sql, values))


def _size(folder: Path) -> int:
    """Bytes of all files in a folder; what goes meanwhile does not count."""
    total = 0
    with contextlib.suppress(FileNotFoundError), os.scandir(folder) as entries:
        for entry in entries:
            with contextlib.suppress(FileNotFoundError):
                if entry.is_dir(follow_symlinks=False):
                    total += _size(Path(entry.path))
                else:
                    total += entry.stat(follow_symlinks=False).st_size
    return total
