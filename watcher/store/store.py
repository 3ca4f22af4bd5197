"""The store: one class to write a run and to read runs back."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Collection, Iterable, Iterator
from dataclasses import asdict
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from sqlite_utils import Database

from watcher.records import (
    Advice,
    Answer,
    BedMarker,
    BedPoint,
    Frame,
    Layer,
    Moment,
    Outline,
    Prices,
    Reading,
    Seen,
    Setup,
    Sight,
    Stake,
    Suspicion,
    Toolpath,
    View,
    Weights,
)
from watcher.store import disk, machine, previews, schema, thinning
from watcher.store.book import Book
from watcher.store.kept import (
    AdviceFrom,
    Ending,
    KeptAnswer,
    KeptFrame,
    KeptMoment,
    Lift,
    Plan,
    ReelFrame,
    Run,
    RunLabel,
    Series,
    Skipped,
    State,
    ToolpathFacts,
    Truth,
)
from watcher.store.ledger import Ledger
from watcher.store.shelf import Shelf
from watcher.store.writer import Writer, writer_lives
from watcher.trouble import BadStore

Row = dict[str, Any]


class Store:
    """A data folder, open. Works only in the thread that opened it.

    Use as a context manager, or call ``close``. Every method raises ``BadStore`` in one sentence
    where the folder, the disk or the database fails; what was kept before stays whole.
    """

    def __init__(self, folder: Path, db: Database) -> None:
        self.folder = folder
        self.book = Book(folder, db)
        self._db = db
        self._writers: dict[int, Writer] = {}
        self._last_advice: dict[int, Advice] = {}
        self._claims: list[Writer] = []
        self.ledger = Ledger(folder, db)
        """Spools, settings, outcomes and conditions."""
        self.shelf = Shelf(folder, db)
        """All runs at once, deleting them and bringing them back."""

    @classmethod
    def open(cls, folder: Path, *, write: bool, wait_s: float = disk.WAIT_S) -> Self:
        """Open a data folder; ``wait_s`` is how long to wait for other writers.

        With ``write`` the folder and its database are made where missing, and runs that were
        deleted long enough ago are removed for good. Without, a folder that holds no database yet
        reads as one without runs.

        Raises ``BadStore``: folder not usable, disk full, not a database of ours, newer schema.
        """
        path = folder / disk.DATABASE
        with disk.told(folder):
            if write:
                folder.mkdir(parents=True, exist_ok=True)
            elif not path.exists():
                if folder.exists() and not folder.is_dir():
                    raise BadStore(f"{folder} is not a folder.", "Choose another one with --data.")
                empty = Database(memory=True, execute_plugins=False)
                schema.migrate(empty)
                return cls(folder, empty)
            db = disk.connect(path, write=write, wait_s=wait_s)
            try:
                if write:
                    schema.migrate(db)
                elif schema.version(db) < len(schema.MIGRATIONS):
                    db.close()
                    db = disk.connect(path, write=True, wait_s=wait_s)
                    schema.migrate(db)
            except BaseException:
                db.close()
                raise
            opened = cls(folder, db)
        if write:
            opened.shelf.remove_due()
        return opened

    def close(self) -> None:
        """Let go of the database; a run without an end counts as interrupted from now on."""
        for writer in self._writers.values():
            writer.close()
        for claim in self._claims:
            claim.close()
        self._writers.clear()
        self._claims.clear()
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # Writing

    def start_run(
        self,
        name: str,
        setup: Setup,
        source: str,
        toolpath: Toolpath | None,
        started_utc_s: float,
        weights: Weights | None = None,
        *,
        elapsed_s: float = 0.0,
        watch: str = "",
    ) -> int:
        """Begin a run and return its id. ``source`` is for people: keep secrets out of it.

        ``elapsed_s`` says how long the print has gone on already, ``watch`` names the watch that
        the run belongs to, where there are several.
        """
        facts = _facts(toolpath)
        with disk.told(self.folder):
            # The pictures' folder and the writer's lock are there before the run is seen.
            writer: Writer | None = None
            try:
                with disk.one_transaction(self._db):
                    self._insert(
                        "runs",
                        [
                            {
                                "name": name,
                                "source": source,
                                "started_utc_s": started_utc_s,
                                "setup": json.dumps(asdict(setup)),
                                "toolpath": None if facts is None else json.dumps(asdict(facts)),
                                "boot": machine.boot_id(),
                                "began_s": machine.monotonic_s() - elapsed_s,
                                "watch": watch,
                            }
                        ],
                    )
                    run_id = int(self._db.execute("SELECT last_insert_rowid()").fetchone()[0])
                    plan = _plan_row(toolpath, weights or Weights())
                    self._insert("plans", [{"run_id": run_id} | plan])
                    self._frames_folder(run_id).mkdir(parents=True, exist_ok=True)
                    writer = Writer(self._run_folder(run_id))
            except BaseException:
                # The disk may be full only when all of it is written.
                if writer is not None:
                    writer.close()
                raise
            self._writers[run_id] = writer
        return run_id

    def keep_frame(self, run_id: int, frame: Frame, jpeg: bytes) -> None:
        """Keep a picture, before it is judged: first the file, then its row.

        ``jpeg`` is the encoded picture as it came, stored byte for byte under ``frame.name``.
        """
        if not disk.is_plain_name(frame.name):
            raise BadStore(
                f"A picture named {frame.name!r} can't be kept.",
                "Give it a plain file name without slashes or control characters.",
            )
        height, width = frame.bgr.shape[:2]
        self._refuse_known(run_id, frame)
        with disk.told(self.folder):
            disk.write_file(self._frames_folder(run_id) / frame.name, jpeg)
            with disk.one_transaction(self._db):
                self._db.table("frames").insert(
                    {
                        "run_id": run_id,
                        "number": frame.index,
                        "name": frame.name,
                        "elapsed_s": frame.elapsed_s,
                        "utc_s": frame.utc_s,
                        "width": width,
                        "height": height,
                    }
                )

    def _refuse_known(self, run_id: int, frame: Frame) -> None:
        """A second picture of the same name must not overwrite the first one's file."""
        known = self._rows(
            "SELECT 1 FROM frames WHERE run_id = ? AND (number = ? OR name = ?)",
            run_id,
            frame.index,
            frame.name,
        )
        if known:
            raise BadStore(
                f"Run {run_id} already has a picture number {frame.index} or named {frame.name}.",
                "Give each picture of a run a name of its own.",
            )

    def keep_seen(
        self, run_id: int, number: int, seen: Seen, evidence: bytes | None = None
    ) -> None:
        """Keep all that frame ``number`` told, and the evidence's state, in one transaction.

        The frame must have been kept before. ``evidence`` is what a later process needs to carry
        on; ``None`` leaves the one before.
        """
        key = {"run_id": run_id, "number": number}
        with disk.told(self.folder), disk.one_transaction(self._db):
            self._insert("views", [key | _view_row(seen)])
            self._insert("readings", [key | r for r in _reading_rows(seen)])
            self._insert("suspicions", [key | _suspicion_row(s) for s in seen.suspicions])
            # Advice is kept where it changes: it holds until the next row.
            if seen.advice != self._last_advice.get(run_id):
                self._insert("advice", [key | _advice_row(seen.advice)])
            self._insert(
                "moments",
                [{"run_id": run_id, "noticed": number} | _moment_row(m) for m in seen.moments],
            )
            if evidence is not None:
                self._db.execute(
                    "UPDATE runs SET evidence = ?, evidence_number = ? WHERE id = ?",
                    (evidence, number, run_id),
                )
        self._last_advice[run_id] = seen.advice

    def skip_frame(self, run_id: int, name: str, why: str) -> None:
        """Count a picture that could not be used, with the reason in a few words."""
        with disk.told(self.folder), disk.one_transaction(self._db):
            self._insert("skipped", [{"run_id": run_id, "name": name, "why": why}])

    def keep_answer(self, run_id: int, answer: Answer) -> int:
        """Keep what a person said of a run, and return its id.

        Raises ``BadStore`` where there is no such run.
        """
        if not self._rows("SELECT 1 FROM runs WHERE id = ?", run_id):
            raise BadStore(f"There is no run {run_id}.", "List the kept runs with watcher runs.")
        with disk.told(self.folder), disk.one_transaction(self._db):
            self._insert("answers", [{"run_id": run_id, **asdict(answer)}])
            return int(self._db.execute("SELECT last_insert_rowid()").fetchone()[0])

    def hear_answers(self, run_id: int, number: int) -> list[Answer]:
        """Answers that were not heard yet; marks them as heard before frame ``number``."""
        fresh = self._rows(
            "SELECT * FROM answers WHERE run_id = ? AND heard IS NULL ORDER BY id", run_id
        )
        if fresh:
            with disk.told(self.folder), disk.one_transaction(self._db):
                for row in fresh:
                    self._db.execute(
                        "UPDATE answers SET heard = ? WHERE id = ?", (number, row["id"])
                    )
        return [_answer(row) for row in fresh]

    def end_run(self, run_id: int, ended_utc_s: float, how: Ending = "finished") -> None:
        """Mark the run as ended in order; what a later process would have needed is let go."""
        with disk.told(self.folder), disk.one_transaction(self._db):
            self._db.execute(
                """UPDATE runs SET ended_utc_s = ?, ending = ?, evidence = NULL,
                   evidence_number = NULL WHERE id = ?""",
                (ended_utc_s, how, run_id),
            )
        writer = self._writers.pop(run_id, None)
        if writer is not None:
            writer.close()

    def carry_on(self, run_id: int) -> float:
        """Take up an interrupted run again and return how many seconds its print has gone on.

        Within one start of the machine the monotonic clock tells them, however the wall clock was
        set; after a power cut it is the wall clock, and time never goes back. Raises ``BadStore``
        where another program writes the run.
        """
        with disk.told(self.folder):
            self._writers[run_id] = Writer(self._run_folder(run_id))
        told = self.advice(run_id)
        if told:
            self._last_advice[run_id] = told[-1].advice
        last_s, away_s = self._last_and_away_s(run_id)
        with disk.told(self.folder), disk.one_transaction(self._db):
            self._db.execute(
                # What is being watched is not deleted.
                "UPDATE runs SET boot = ?, began_s = ?, deleted_utc_s = NULL WHERE id = ?",
                (machine.boot_id(), machine.monotonic_s() - last_s - away_s, run_id),
            )
        return last_s + away_s

    def _last_and_away_s(self, run_id: int) -> tuple[float, float]:
        """Elapsed seconds of the newest picture, and seconds that have gone by since."""
        (row,) = self._rows("SELECT boot, began_s FROM runs WHERE id = ?", run_id)
        newest = self._rows(
            "SELECT elapsed_s, utc_s FROM frames WHERE run_id = ? ORDER BY number DESC LIMIT 1",
            run_id,
        )
        if not newest:
            return 0.0, 0.0
        last_s = float(newest[0]["elapsed_s"])
        if row["boot"] and row["boot"] == machine.boot_id() and row["began_s"] is not None:
            return last_s, max(0.0, machine.monotonic_s() - float(row["began_s"]) - last_s)
        if newest[0]["utc_s"] is None:
            return last_s, 0.0
        return last_s, max(0.0, machine.utc_s() - float(newest[0]["utc_s"]))

    def claim(self, watch: str) -> None:
        """Hold the name of a watch until closed, so that no second watcher takes the same printer.

        Raises ``BadStore`` where another one holds it.
        """
        folder = self.folder / "watches" / disk.plain(watch)
        with disk.told(self.folder):
            folder.mkdir(parents=True, exist_ok=True)
            try:
                self._claims.append(Writer(folder))
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                    raise
                raise BadStore(
                    f"{watch} is being watched by another watcher already.",
                    "End that one first, or give this watch another name or data folder.",
                ) from None

    def thin(self, least_free: int = thinning.LEAST_FREE) -> int:
        """Delete old pictures until ``least_free`` bytes are free; returns how many files went.

        See ``store.thinning`` for the policy. The flagged moments' pictures always stay.
        """
        with disk.told(self.folder):
            return thinning.thin(self._db, self.folder, least_free)

    def rename(self, run_id: int, name: str) -> None:
        """Call a run otherwise than its watch does; an empty name gives it the old one back."""
        with disk.told(self.folder), disk.one_transaction(self._db):
            self._db.execute("UPDATE runs SET renamed = ? WHERE id = ?", (name, run_id))

    def label_moment(self, run_id: int, moment_id: int, truth: Truth, cause: str) -> bool:
        """Keep what a person found a flagged moment to be; false where there is no such moment."""
        with disk.told(self.folder), disk.one_transaction(self._db):
            done = self._db.execute(
                "UPDATE moments SET truth = ?, cause = ? WHERE run_id = ? AND id = ?",
                (truth, cause, run_id, moment_id),
            )
            return bool(done.rowcount)

    # Reading

    def runs(self, *, deleted: bool = False) -> list[Run]:
        """All runs, the newest first; or those that are deleted and still there. Where there may be
        hundreds, ask ``shelf.listed`` instead."""
        return [
            self._run(row)
            for row in self._rows(
                f"""{_RUNS} WHERE (deleted_utc_s IS NOT NULL) = ?
                    ORDER BY started_utc_s DESC, id DESC""",
                int(deleted),
            )
        ]

    def run(self, run_id: int) -> Run | None:
        """One run, deleted or not, or ``None`` where there is none with this id."""
        rows = self._rows(f"{_RUNS} WHERE runs.id = ?", run_id)
        return self._run(rows[0]) if rows else None

    def frames(self, run_id: int, since: int = 0) -> list[KeptFrame]:
        """Pictures with number ``since`` or more, in order."""
        return [
            _frame(row)
            for row in self._rows(
                """SELECT frames.*, registered, sigma_px, layer, mm_per_px, reason
                   FROM frames LEFT JOIN views USING (run_id, number)
                   WHERE run_id = ? AND number >= ? AND NOT thinned ORDER BY number""",
                run_id,
                since,
            )
        ]

    def reel(self, run_id: int, since: int = 0) -> list[ReelFrame]:
        """Every picture with number ``since`` or more, in order, deleted ones too."""
        with disk.told(self.folder):
            rows = self._db.execute(
                """SELECT number, name, elapsed_s, utc_s, thinned, layer, registered, sigma_px,
                          reason, json_extract(notes, '$.bed_offset_mm')
                   FROM frames LEFT JOIN views USING (run_id, number)
                   WHERE run_id = ? AND number >= ? ORDER BY number""",
                (run_id, since),
            ).fetchall()
        return [
            ReelFrame(n, name, at, utc, bool(gone), layer, bool(registered), sigma, why or "", bed)
            for n, name, at, utc, gone, layer, registered, sigma, why, bed in rows
        ]

    def sheet(self, run_id: int, grain: previews.Grain, number: int) -> previews.Sheet | None:
        """Previews of the pictures from ``number * grain.span`` on; ``None`` where there are none.

        It is made once and kept, if there is room, as soon as it is full or the run has ended.
        """
        found = self._rows("SELECT setup, ended_utc_s FROM runs WHERE id = ?", run_id)
        if not found:
            return None
        width, height = json.loads(found[0]["setup"])["frame_size"]
        path = previews.path_of(self._run_folder(run_id), grain, number, (width, height))
        jpeg = previews.kept(path)
        if jpeg is not None:
            return previews.Sheet(jpeg, True)
        first, end = number * grain.span, (number + 1) * grain.span
        rows = self._rows(
            "SELECT number, name, thinned FROM frames WHERE run_id = ? AND number BETWEEN ? AND ?",
            run_id,
            first,
            end - 1,
        )
        if not rows:
            return None
        jpeg, lost = previews.made(
            self._frames_folder(run_id),
            {row["number"]: row["name"] for row in rows},
            grain,
            number,
            (width, height),
        )
        gone = {row["number"] for row in rows if row["thinned"]}
        closed = found[0]["ended_utc_s"] is not None or self.last_number(run_id)[0] >= end - 1
        lasting = closed and set(lost) <= gone and previews.keep(path, jpeg)
        return previews.Sheet(jpeg, lasting)

    def series(self, run_id: int, since: int = 0) -> list[Series]:
        """Readings from frame ``since`` on, gathered by kind and place."""
        gathered: dict[tuple[str, str], Series] = {}
        with disk.told(self.folder):
            rows = self._db.execute(
                """SELECT kind, place, x_mm, y_mm, z_mm, unit, number, value, sigma, unseen
                   FROM readings WHERE run_id = ? AND number >= ? ORDER BY number, rowid""",
                (run_id, since),
            ).fetchall()
        for kind, place, x, y, z, unit, number, value, sigma, unseen in rows:
            one = gathered.get((kind, place))
            if one is None:
                point = None if x is None or y is None or z is None else (x, y, z)
                one = gathered[kind, place] = Series(kind, place, point, unit, [], [], [], [])
            one.numbers.append(number)
            one.values.append(value)
            one.sigmas.append(sigma)
            one.unseen.append(unseen)
        return list(gathered.values())

    def readings(self, run_id: int, number: int) -> tuple[Reading, ...]:
        """All readings of one frame."""
        return tuple(
            Reading(
                r["kind"], r["place"], _point(r), r["value"], r["sigma"], r["unit"], r["unseen"]
            )
            for r in self._rows(
                "SELECT * FROM readings WHERE run_id = ? AND number = ? ORDER BY rowid",
                run_id,
                number,
            )
        )

    def suspicions(self, run_id: int, number: int) -> tuple[Suspicion, ...]:
        """What was suspected after one frame."""
        return tuple(
            Suspicion(
                r["kind"],
                r["place"],
                _point(r),
                _or_nan(r["strength"]),
                _or_nan(r["threshold"]),
                r["began"],
                _or_nan(r["amount"]),
                _or_nan(r["sigma"]),
                r["unit"],
                r["per_hour"],
                r["chance"],
            )
            for r in self._rows(
                "SELECT * FROM suspicions WHERE run_id = ? AND number = ? ORDER BY rowid",
                run_id,
                number,
            )
        )

    def outlines(self, run_id: int, since: int, until: int) -> dict[int, tuple[Outline, ...]]:
        """The lines to draw over judged frames ``since`` <= number < ``until``, by number."""
        return {
            row["number"]: tuple(
                Outline(o["role"], o["place"], np.asarray(o["points_px"], float).reshape(-1, 2))
                for o in json.loads(row["outlines"])
            )
            for row in self._rows(
                """SELECT number, outlines FROM views
                   WHERE run_id = ? AND number >= ? AND number < ? ORDER BY number""",
                run_id,
                since,
                until,
            )
        }

    def advice(self, run_id: int, since: int = 0) -> list[AdviceFrom]:
        """Every change of advice at frame ``since`` or later, in order."""
        return [
            AdviceFrom(row["number"], _advice(row))
            for row in self._rows(
                "SELECT * FROM advice WHERE run_id = ? AND number >= ? ORDER BY number",
                run_id,
                since,
            )
        ]

    def moments(self, run_id: int) -> list[KeptMoment]:
        """Flagged moments, by frame."""
        return [
            KeptMoment(
                row["id"],
                Moment(
                    row["number"],
                    row["name"],
                    row["elapsed_s"],
                    row["kind"],
                    row["level"],
                    row["sentence"],
                ),
                row["noticed"],
                row["truth"],
                row["cause"],
            )
            for row in self._rows(
                "SELECT * FROM moments WHERE run_id = ? ORDER BY number, id", run_id
            )
        ]

    def skipped(self, run_id: int) -> list[Skipped]:
        """Pictures that could not be used, in the order in which they came."""
        return [
            Skipped(row["name"], row["why"])
            for row in self._rows(
                "SELECT name, why FROM skipped WHERE run_id = ? ORDER BY id", run_id
            )
        ]

    def answers(self, run_id: int) -> list[KeptAnswer]:
        """What persons said of a run, in order."""
        return [
            KeptAnswer(row["id"], _answer(row), row["heard"])
            for row in self._rows("SELECT * FROM answers WHERE run_id = ? ORDER BY id", run_id)
        ]

    def plan(self, run_id: int) -> Plan | None:
        """What a run was judged by; ``None`` where that was not kept."""
        return self.plans([run_id]).get(run_id)

    def plans(self, run_ids: Collection[int]) -> dict[int, Plan]:
        """What each of these runs was judged by, where that was kept, in one query."""
        rows = self._rows(
            """SELECT run_id, layers, weights, toolpath FROM plans JOIN runs ON id = run_id
               WHERE run_id IN (SELECT value FROM json_each(?))""",
            json.dumps(list(run_ids)),
        )
        return {row["run_id"]: _plan(row) for row in rows}

    def sights(self, run_id: int) -> Iterator[Sight]:
        """What each judged frame showed, in order, for judging it again without its picture.

        Frames that an older version kept without their own measurements are left out.
        """
        with disk.told(self.folder):
            views = self._db.execute(
                """SELECT number, name, elapsed_s, layer, registered, reason, notes
                   FROM frames JOIN views USING (run_id, number)
                   WHERE run_id = ? ORDER BY number""",
                (run_id,),
            ).fetchall()
            kept = self._db.execute(
                """SELECT number, kind, place, x_mm, y_mm, z_mm, measured_value, measured_sigma,
                          unit, unseen, value
                   FROM readings WHERE run_id = ? ORDER BY number, rowid""",
                (run_id,),
            ).fetchall()
        at = 0
        for number, name, elapsed_s, layer, registered, reason, notes in views:
            readings: list[Reading] = []
            known = True
            while at < len(kept) and kept[at][0] <= number:
                _, kind, place, x, y, z, value, sigma, unit, unseen, smooth = kept[at]
                known &= value is not None or smooth is None
                if value is not None and sigma is None:
                    sigma = math.inf
                point = None if x is None or y is None or z is None else (x, y, z)
                readings.append(Reading(kind, place, point, value, sigma, unit, unseen))
                at += 1
            if known:
                told = json.loads(notes)
                share, over = told.get("found_share") or 0.0, bool(told.get("over"))
                blind = "" if registered else reason
                yield Sight(number, name, elapsed_s, layer, tuple(readings), share, blind, over)

    def evidence(self, run_id: int) -> bytes | None:
        """The newest kept state of the evidence."""
        rows = self._rows("SELECT evidence FROM runs WHERE id = ?", run_id)
        return bytes(rows[0]["evidence"]) if rows and rows[0]["evidence"] is not None else None

    def evidence_number(self, run_id: int) -> int:
        """Number of the frame after which that state was kept; -1 where there is none."""
        rows = self._rows("SELECT evidence_number FROM runs WHERE id = ?", run_id)
        known = rows and rows[0]["evidence_number"] is not None
        return int(rows[0]["evidence_number"]) if known else -1

    def interrupted(
        self, label: RunLabel, toolpath: Toolpath | None, within_s: float
    ) -> int | None:
        """Id of the newest run of this label, if it was interrupted and its newest picture is not
        older than ``within_s``: after longer another print may lie on the bed."""
        facts = _facts(toolpath)
        rows = self._rows(
            "SELECT id, name FROM runs WHERE watch = ? AND source = ? ORDER BY id DESC LIMIT 1",
            label.watch,
            label.source,
        )
        run = self.run(int(rows[0]["id"])) if rows else None
        # By the name that its watch gave it, whatever a person calls it since.
        same = run is not None and (rows[0]["name"], run.setup, run.toolpath) == (
            label.name,
            label.setup,
            facts,
        )
        if run is None or not same or run.state != "interrupted" or run.deleted_utc_s:
            return None
        return run.id if self._last_and_away_s(run.id)[1] <= within_s else None

    def last_number(self, run_id: int) -> tuple[int, int]:
        """The greatest number of a frame (-1 where there is none), and the greatest number that
        the name of a picture, usable or not, begins with (0 where there is none)."""
        (row,) = self._rows(
            """SELECT
                (SELECT max(number) FROM frames WHERE run_id = :run) AS number,
                (SELECT max(CAST(name AS INTEGER)) FROM frames WHERE run_id = :run) AS kept,
                (SELECT max(CAST(name AS INTEGER)) FROM skipped WHERE run_id = :run) AS skipped""",
            named={"run": run_id},
        )
        number = -1 if row["number"] is None else int(row["number"])
        return number, max(int(row["kept"] or 0), int(row["skipped"] or 0))

    def newest_age_s(self, run_id: int) -> float:
        """Seconds since the newest picture of a run by a clock that can't be set, where the machine
        has not been started anew since; 0 where there is no picture."""
        return self._last_and_away_s(run_id)[1]

    def thinned(self, run_id: int) -> int:
        """How many pictures of a run were deleted for want of room."""
        (row,) = self._rows("SELECT count(*) AS n FROM frames WHERE run_id = ? AND thinned", run_id)
        return int(row["n"])

    def frame_path(self, run_id: int, name: str) -> Path | None:
        """Where a picture lies; ``None`` unless the run has a picture of exactly this name."""
        known = self._rows("SELECT name FROM frames WHERE run_id = ? AND name = ?", run_id, name)
        if not known or not disk.is_plain_name(name):
            return None
        path = self._frames_folder(run_id) / name
        return path if path.is_file() else None

    # Within

    def _rows(self, sql: str, *values: object, named: Row | None = None) -> list[Row]:
        with disk.told(self.folder):
            return list(self._db.query(sql, named if named is not None else values))

    def _insert(self, table: str, rows: list[Row]) -> None:
        if rows:
            self._db.table(table).insert_all(rows)

    def _run_folder(self, run_id: int) -> Path:
        return self.folder / "runs" / str(run_id)

    def _frames_folder(self, run_id: int) -> Path:
        return self._run_folder(run_id) / "frames"

    def _run(self, row: Row) -> Run:
        state: State
        if row["ended_utc_s"] is not None:
            state = row["ending"]
        elif row["id"] in self._writers or writer_lives(self._run_folder(row["id"])):
            state = "watching"
        else:
            state = "interrupted"
        newest = self._rows(
            "SELECT * FROM frames WHERE run_id = ? AND NOT thinned ORDER BY number DESC LIMIT 1",
            row["id"],
        )
        advice = self._rows(
            "SELECT * FROM advice WHERE run_id = ? ORDER BY number DESC LIMIT 1", row["id"]
        )
        lift = self._rows(
            """SELECT place, value, sigma FROM readings
               WHERE run_id = ? AND kind = 'corner-lift' AND value >= 3 * sigma
               ORDER BY value DESC LIMIT 1""",
            row["id"],
        )
        toolpath = json.loads(row["toolpath"]) if row["toolpath"] else None
        return Run(
            id=row["id"],
            name=row["name"],
            source=row["source"],
            started_utc_s=row["started_utc_s"],
            ended_utc_s=row["ended_utc_s"],
            state=state,
            setup=_setup(json.loads(row["setup"])),
            toolpath=None if toolpath is None else ToolpathFacts(**toolpath),
            frames=row["frame_count"],
            skipped=row["skipped_count"],
            watch=row["watch"],
            elapsed_s=newest[0]["elapsed_s"] if newest else 0.0,
            newest_frame=newest[0]["name"] if newest else None,
            advice=_advice(advice[0]) if advice else None,
            moments=row["moment_count"],
            biggest_lift=Lift(lift[0]["place"], lift[0]["value"], lift[0]["sigma"])
            if lift
            else None,
            deleted_utc_s=row["deleted_utc_s"],
        )


# Without the evidence, which is megabytes.
_RUNS = """SELECT runs.id, coalesce(nullif(renamed, ''), runs.name) AS name, source,
        started_utc_s, ended_utc_s, ending, setup, toolpath, watch,
        deleted_utc_s,
    (SELECT count(*) FROM frames WHERE run_id = runs.id) AS frame_count,
    (SELECT count(*) FROM skipped WHERE run_id = runs.id) AS skipped_count,
    (SELECT count(*) FROM moments WHERE run_id = runs.id) AS moment_count
    FROM runs"""


# From records to rows


def _facts(toolpath: Toolpath | None) -> ToolpathFacts | None:
    if toolpath is None:
        return None
    return ToolpathFacts(
        layers=len(toolpath.layers),
        height_mm=toolpath.layers[-1].z_mm if toolpath.layers else 0.0,
        filament_mm=toolpath.filament_mm,
        duration_s=toolpath.duration_s,
        line_width_mm=toolpath.line_width_mm,
    )


def _number(value: float | None) -> float | None:
    """Any real or numpy number as a float for SQLite; not finite counts as not known."""
    return float(value) if value is not None and math.isfinite(value) else None


def _xyz(place_mm: Iterable[float] | None) -> Row:
    x, y, z = (None, None, None) if place_mm is None else map(_number, place_mm)
    return {"x_mm": x, "y_mm": y, "z_mm": z}


def _view_row(seen: Seen) -> Row:
    view = seen.view
    return {
        "registered": int(view.registered),
        "sigma_px": _number(view.sigma_px),
        "layer": int(view.layer),
        "mm_per_px": _number(view.mm_per_px),
        "reason": view.reason,
        "outlines": json.dumps(
            [
                {
                    "role": o.role,
                    "place": o.place,
                    "points_px": np.round(
                        o.points_px[np.isfinite(o.points_px).all(axis=1)], 2
                    ).tolist(),
                }
                for o in seen.outlines
            ]
        ),
        "notes": json.dumps({k: _number(v) for k, v in seen.notes.items()}),
    }


def _reading_rows(seen: Seen) -> list[Row]:
    """Each reading as it was told, and beside it as it was measured."""
    rows = [_reading_row(reading) for reading in seen.readings]
    if len(seen.measured) == len(rows):
        for row, measured in zip(rows, seen.measured, strict=True):
            row["measured_value"] = _number(measured.value)
            row["measured_sigma"] = _number(measured.sigma)
    return rows


def _reading_row(reading: Reading) -> Row:
    return {
        "kind": reading.kind,
        "place": reading.place,
        **_xyz(reading.place_mm),
        "value": _number(reading.value),
        "sigma": _number(reading.sigma),
        "unit": reading.unit,
        "unseen": reading.unseen,
        "measured_value": None,
        "measured_sigma": None,
    }


def _suspicion_row(suspicion: Suspicion) -> Row:
    return {
        "kind": suspicion.kind,
        "place": suspicion.place,
        **_xyz(suspicion.place_mm),
        "strength": _number(suspicion.strength),
        "threshold": _number(suspicion.threshold),
        "began": int(suspicion.began_index),
        "amount": _number(suspicion.amount),
        "sigma": _number(suspicion.sigma),
        "unit": suspicion.unit,
        "per_hour": _number(suspicion.per_hour),
        "chance": _number(suspicion.chance),
    }


def _advice_row(advice: Advice) -> Row:
    return {
        "level": advice.level,
        "sentence": advice.sentence,
        "kind": advice.kind,
        "place": advice.place,
        **_xyz(advice.place_mm),
        "amount": _number(advice.amount),
        "sigma": _number(advice.sigma),
        "unit": advice.unit,
        "since_s": _number(advice.since_s),
        "per_hour": _number(advice.per_hour),
        "at_end": _number(advice.at_end),
        "chance": _number(advice.chance),
        "unseen": json.dumps(advice.unseen),
        "stake": None if advice.stake is None else json.dumps(asdict(advice.stake)),
    }


def _plan_row(toolpath: Toolpath | None, weights: Weights) -> Row:
    layers = [
        [y.number, y.z_mm, y.height_mm, y.start_s, y.duration_s, y.filament_mm]
        for y in (toolpath.layers if toolpath is not None else ())
    ]
    return {"layers": json.dumps(layers), "weights": json.dumps(asdict(weights))}


def _moment_row(moment: Moment) -> Row:
    return {
        "number": int(moment.index),
        "name": moment.name,
        "elapsed_s": float(moment.elapsed_s),
        "kind": moment.kind,
        "level": moment.level,
        "sentence": moment.sentence,
    }


# From rows to records


def _point(row: Row) -> tuple[float, float, float] | None:
    if row["x_mm"] is None or row["y_mm"] is None or row["z_mm"] is None:
        return None
    return (row["x_mm"], row["y_mm"], row["z_mm"])


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _frame(row: Row) -> KeptFrame:
    view = None
    if row["registered"] is not None:
        view = View(
            registered=bool(row["registered"]),
            sigma_px=math.inf if row["sigma_px"] is None else row["sigma_px"],
            layer=row["layer"],
            mm_per_px=_or_nan(row["mm_per_px"]),
            reason=row["reason"],
        )
    return KeptFrame(
        row["number"],
        row["name"],
        row["elapsed_s"],
        row["utc_s"],
        (row["width"], row["height"]),
        view,
    )


def _advice(row: Row) -> Advice:
    return Advice(
        level=row["level"],
        sentence=row["sentence"],
        kind=row["kind"],
        place=row["place"],
        place_mm=_point(row),
        amount=row["amount"],
        sigma=row["sigma"],
        unit=row["unit"],
        since_s=row["since_s"],
        per_hour=row["per_hour"],
        at_end=row["at_end"],
        chance=row["chance"],
        unseen=tuple(json.loads(row["unseen"])) if row["unseen"] else (),
        stake=Stake(**json.loads(row["stake"])) if row["stake"] else None,
    )


def _answer(row: Row) -> Answer:
    return Answer(row["said"], row["utc_s"], row["kind"], row["place"])


def _plan(row: Row) -> Plan:
    kept = json.loads(row["weights"])
    layers = tuple(
        Layer(number, z_mm, height_mm, (), start_s, duration_s, filament_mm)
        for number, z_mm, height_mm, start_s, duration_s, filament_mm in json.loads(row["layers"])
    )
    toolpath = None
    if row["toolpath"] is not None:
        facts = ToolpathFacts(**json.loads(row["toolpath"]))
        toolpath = Toolpath(layers, facts.filament_mm, facts.duration_s, facts.line_width_mm)
    return Plan(
        toolpath,
        Weights(**{**kept, "prices": Prices(**kept["prices"])}),
    )


def _setup(kept: Row) -> Setup:
    return Setup(
        frame_size=(kept["frame_size"][0], kept["frame_size"][1]),
        bed_mm=(kept["bed_mm"][0], kept["bed_mm"][1]),
        bed_motion=kept["bed_motion"],
        head_parked_for_frames=kept["head_parked_for_frames"],
        bed_points=tuple(
            BedPoint(pixel=(p["pixel"][0], p["pixel"][1]), bed_mm=(p["bed_mm"][0], p["bed_mm"][1]))
            for p in kept["bed_points"]
        ),
        bed_points_z_mm=kept["bed_points_z_mm"],
        # Runs that were kept before it could be drawn have none.
        part_px=tuple((x, y) for x, y in kept.get("part_px", ())),
        bed_markers=tuple(
            BedMarker(m["number"], (m["bed_mm"][0], m["bed_mm"][1]), m["side_mm"])
            for m in kept.get("bed_markers", ())
        ),
        room_markers=kept.get("room_markers", False),
    )
