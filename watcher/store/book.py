"""What happens around a run: alarms, acknowledgments, attempts to stop, and signs of life."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from watcher.store import disk, machine


@dataclass(frozen=True)
class KeptAlarm:
    """One message that was sent, or that no service took."""

    id: int
    run_id: int | None
    utc_s: float
    concern: str
    title: str
    sentence: str
    sent: bool
    detail: str
    """Each service and what became of the message there; without secrets."""


@dataclass(frozen=True)
class Raised:
    """The first message about a concern."""

    answer_before: float | None
    """The answer that was known then, in UTC seconds."""
    age_s: float


@dataclass(frozen=True)
class KeptStop:
    """One attempt to stop a print."""

    id: int
    utc_s: float
    who: str
    action: str
    """In words and without secrets."""
    dry: bool
    ok: bool | None
    """``None`` while it is under way, or where the program died over it."""
    detail: str


@dataclass(frozen=True)
class Sign:
    """The last sign of life of a watch."""

    watch: str
    run_id: int | None
    utc_s: float
    age_s: float | None
    """Seconds since then by a clock that can't be set; ``None`` from an earlier start of the
    machine."""
    patience_s: float
    """A sign older than this means that the watch has died or hangs."""
    trouble: str
    """What hinders the watch, a sentence; empty where nothing does."""

    @property
    def fresh(self) -> bool:
        """Whether the watch lives."""
        return self.age_s is not None and 0 <= self.age_s <= self.patience_s


class Book:
    """Kept beside the runs of one open store. Every method raises ``BadStore``."""

    def __init__(self, folder: Path, db: Database) -> None:
        self._folder = folder
        self._db = db

    def note_alarm(
        self,
        run_id: int | None,
        *,
        concern: str,
        title: str,
        sentence: str,
        sent: bool,
        detail: str,
        answer_before: float | None,
    ) -> None:
        """Keep that a message went out or failed to. ``answer_before`` is the answer that was
        known when the concern was raised, so that a newer one can be told from it."""
        self._insert(
            "alarms",
            {
                "run_id": run_id,
                "utc_s": machine.utc_s(),
                "concern": concern,
                "title": title,
                "sentence": sentence,
                "sent": int(sent),
                "detail": detail,
                "answer_before": answer_before,
                "boot": machine.boot_id(),
                "monotonic_s": machine.monotonic_s(),
            },
        )

    def alarms(self, run_id: int | None = None, newest: int = 50) -> list[KeptAlarm]:
        """The newest messages first; of one run, or of all."""
        where, values = ("WHERE run_id = ?", (run_id,)) if run_id is not None else ("", ())
        return [
            KeptAlarm(
                r["id"],
                r["run_id"],
                r["utc_s"],
                r["concern"],
                r["title"],
                r["sentence"],
                bool(r["sent"]),
                r["detail"],
            )
            for r in self._rows(
                f"SELECT * FROM alarms {where} ORDER BY id DESC LIMIT ?", *values, newest
            )
        ]

    def raised(self, run_id: int) -> dict[str, Raised]:
        """Concerns of a run that messages were about."""
        boot, now_s, utc_s = machine.boot_id(), machine.monotonic_s(), machine.utc_s()
        return {
            r["concern"]: Raised(
                r["answer_before"],
                now_s - r["monotonic_s"] if r["boot"] == boot else max(0.0, utc_s - r["utc_s"]),
            )
            # The first message of each concern is read last and stays.
            for r in self._rows("SELECT * FROM alarms WHERE run_id = ? ORDER BY id DESC", run_id)
        }

    def acknowledge(self, run_id: int) -> None:
        """A person says that the alarm was heard."""
        self._insert("acknowledgments", {"run_id": run_id, "utc_s": machine.utc_s()})

    def answered_at(self, run_id: int) -> float | None:
        """UTC seconds of the newest time that a person heard an alarm or answered an advice."""
        rows = self._rows(
            """SELECT max(utc_s) AS utc_s FROM (
                 SELECT utc_s FROM acknowledgments WHERE run_id = ?
                 UNION ALL SELECT utc_s FROM answers WHERE run_id = ?)""",
            run_id,
            run_id,
        )
        return None if rows[0]["utc_s"] is None else float(rows[0]["utc_s"])

    def arm(self, run_id: int, minutes: float | None) -> None:
        """Let this run be stopped after so many minutes without an answer; ``None`` disarms."""
        with disk.told(self._folder), disk.one_transaction(self._db):
            self._db.execute("UPDATE runs SET armed_min = ? WHERE id = ?", (minutes, run_id))

    def armed_min(self, run_id: int) -> float | None:
        """Minutes without an answer after which this run is stopped; ``None``: never."""
        rows = self._rows("SELECT armed_min FROM runs WHERE id = ?", run_id)
        return rows[0]["armed_min"] if rows else None

    def watch_of(self, run_id: int) -> str:
        """Name of the watch that a run belongs to; empty where it has none."""
        rows = self._rows("SELECT watch FROM runs WHERE id = ?", run_id)
        return str(rows[0]["watch"]) if rows else ""

    def newest_run(self, watch: str) -> int | None:
        """Id of the newest run of a watch: what its printer is doing now."""
        (row,) = self._rows("SELECT max(id) AS id FROM runs WHERE watch = ?", watch)
        return None if row["id"] is None else int(row["id"])

    def begin_stop(self, run_id: int, who: str, action: str, dry: bool) -> int:
        """Keep an attempt before it is made; returns its id."""
        with disk.told(self._folder), disk.one_transaction(self._db):
            self._db.table("stops").insert(
                {
                    "run_id": run_id,
                    "utc_s": machine.utc_s(),
                    "who": who,
                    "action": action,
                    "dry": int(dry),
                    "ok": None,
                    "detail": "",
                }
            )
            return int(self._db.execute("SELECT last_insert_rowid()").fetchone()[0])

    def end_stop(self, stop_id: int, ok: bool, detail: str) -> None:
        """Keep what became of an attempt."""
        with disk.told(self._folder), disk.one_transaction(self._db):
            self._db.execute(
                "UPDATE stops SET ok = ?, detail = ? WHERE id = ?", (int(ok), detail, stop_id)
            )

    def stops(self, run_id: int) -> list[KeptStop]:
        """Attempts to stop a run, in order."""
        return [
            KeptStop(
                r["id"],
                r["utc_s"],
                r["who"],
                r["action"],
                bool(r["dry"]),
                None if r["ok"] is None else bool(r["ok"]),
                r["detail"],
            )
            for r in self._rows("SELECT * FROM stops WHERE run_id = ? ORDER BY id", run_id)
        ]

    def sign(self, watch: str, run_id: int | None, patience_s: float, trouble: str) -> None:
        """Give a sign of life."""
        with disk.told(self._folder), disk.one_transaction(self._db):
            self._db.execute(
                """INSERT INTO signs VALUES (?, ?, ?, ?, ?, ?, ?)
                   ON CONFLICT (watch) DO UPDATE SET run_id = excluded.run_id,
                       boot = excluded.boot, monotonic_s = excluded.monotonic_s,
                       utc_s = excluded.utc_s, patience_s = excluded.patience_s,
                       trouble = excluded.trouble""",
                (
                    watch,
                    run_id,
                    machine.boot_id(),
                    machine.monotonic_s(),
                    machine.utc_s(),
                    patience_s,
                    trouble,
                ),
            )

    def end_sign(self, watch: str) -> None:
        """The watch ended in order: no sign is expected any more."""
        with disk.told(self._folder), disk.one_transaction(self._db):
            self._db.execute("DELETE FROM signs WHERE watch = ?", (watch,))

    def signs(self) -> list[Sign]:
        """The last sign of each watch that has not ended in order, by name."""
        boot, now_s = machine.boot_id(), machine.monotonic_s()
        return [
            Sign(
                r["watch"],
                r["run_id"],
                r["utc_s"],
                now_s - r["monotonic_s"] if r["boot"] == boot else None,
                r["patience_s"],
                r["trouble"],
            )
            for r in self._rows("SELECT * FROM signs ORDER BY watch")
        ]

    def _insert(self, table: str, row: dict[str, Any]) -> None:
        with disk.told(self._folder), disk.one_transaction(self._db):
            self._db.table(table).insert(row)

    def _rows(self, sql: str, *values: object) -> list[dict[str, Any]]:
        with disk.told(self._folder):
            return list(self._db.query(sql, values))
