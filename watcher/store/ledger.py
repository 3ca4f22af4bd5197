"""What is kept around the runs: spools, settings and outcomes, chamber and humidity."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal

from sqlite_utils import Database

from watcher.store import disk
from watcher.trouble import BadFacts

What = Literal["chamber_c", "humidity_percent"]
Outcome = Literal["", "good", "failed"]
EventKind = Literal["weighed", "used", "dried"]


@dataclass(frozen=True)
class Spool:
    """One spool of filament."""

    id: int
    name: str
    material: str
    diameter_mm: float
    density_g_cm3: float | None
    """From its data sheet; ``None``: that of its class of material."""
    price_per_kg: float | None
    marked_g: float | None
    """Mass of filament printed on it when new."""
    empty_g: float | None
    """Mass of the spool alone."""
    sealed: bool
    """Whether it is kept in a closed box with drying agent."""
    added_utc_s: float


@dataclass(frozen=True)
class SpoolEvent:
    """Something that happened to a spool."""

    utc_s: float
    kind: EventKind
    gross_g: float | None = None
    length_mm: float | None = None
    run_id: int | None = None
    hours: float | None = None
    celsius: float | None = None


@dataclass(frozen=True)
class Job:
    """What is known of a run beside what the camera saw."""

    run_id: int
    spool_id: int | None = None
    material: str = ""
    drying: str = ""
    bed: str = ""
    """How the bed was prepared."""
    notes: str = ""
    outcome: Outcome = ""
    """As a person judged the part; empty where nobody did."""
    done: str = ""
    """What was done about it."""
    settings: Mapping[str, str] = field(default_factory=dict)
    """``key = value`` comments of the G-code."""
    facts: Mapping[str, float] = field(default_factory=dict)
    """Figures of toolpath and risk, by name with the unit in it."""


@dataclass(frozen=True)
class Condition:
    """One reading of the surroundings."""

    place: str
    """Name of the printer or chamber; empty where there is only one."""
    what: What
    utc_s: float
    """When it was measured."""
    value: float
    source: str


@dataclass(frozen=True)
class Unread:
    """A reading that made no sense, as it came."""

    came_utc_s: float
    source: str
    text: str
    why: str
    times: int = 1
    """How often the same text came."""


class Ledger:
    """Part of an open store. Every method raises ``BadStore`` where the disk fails."""

    def __init__(self, folder: Path, db: Database) -> None:
        self._folder = folder
        self._db = db

    # Spools

    def add_spool(self, spool: Spool) -> int:
        """Keep a new spool, whose ``id`` is not used, and return its id.

        Raises ``BadFacts`` where there is one of this name.
        """
        if self._rows("SELECT 1 FROM spools WHERE name = ?", spool.name):
            raise BadFacts(f"There is a spool {spool.name!r} already.", "Give it another name.")
        row = asdict(spool)
        del row["id"]
        row["sealed"] = int(spool.sealed)
        return self._insert("spools", row)

    def change_spool(self, spool_id: int, **changes: float | bool | None) -> None:
        """Change fields of a spool, those that are not ``None``."""
        row = {name: value for name, value in changes.items() if value is not None}
        if row:
            with disk.told(self._folder), disk.one_transaction(self._db):
                self._db.table("spools").update(spool_id, row)

    def spools(self) -> list[Spool]:
        """All spools, by name."""
        return [
            Spool(**{**row, "sealed": bool(row["sealed"])})
            for row in self._rows("SELECT * FROM spools ORDER BY name")
        ]

    def spool(self, name: str) -> Spool:
        """The spool of this name. Raises ``BadFacts`` with the names that there are."""
        spools = self.spools()
        for spool in spools:
            if spool.name == name:
                return spool
        names = ", ".join(spool.name for spool in spools)
        raise BadFacts(
            f"There is no spool {name!r}.",
            f"There are: {names}." if names else "Add it with watcher spool add.",
        )

    def note_spool(self, spool_id: int, event: SpoolEvent) -> None:
        """Keep what happened to a spool. The use for a run replaces what was noted for it."""
        with disk.told(self._folder), disk.one_transaction(self._db):
            if event.kind == "used" and event.run_id is not None:
                self._db.execute(
                    "DELETE FROM spool_events WHERE kind = 'used' AND run_id = ?", (event.run_id,)
                )
            self._db.table("spool_events").insert({"spool_id": spool_id, **asdict(event)})

    def spool_events(self, spool_id: int) -> list[SpoolEvent]:
        """What happened to a spool, in order of time."""
        return [
            SpoolEvent(
                r["utc_s"],
                r["kind"],
                r["gross_g"],
                r["length_mm"],
                r["run_id"],
                r["hours"],
                r["celsius"],
            )
            for r in self._rows(
                "SELECT * FROM spool_events WHERE spool_id = ? ORDER BY utc_s, id", spool_id
            )
        ]

    def used_by_run(self) -> dict[tuple[int, int], float]:
        """Filament in mm that was counted from a spool for a run, by run and spool."""
        return {
            (row["run_id"], row["spool_id"]): row["length_mm"]
            for row in self._rows(
                """SELECT run_id, spool_id, length_mm FROM spool_events
                   WHERE run_id IS NOT NULL AND length_mm IS NOT NULL
                   ORDER BY utc_s DESC, id DESC"""
            )
        }

    # Jobs

    def keep_job(self, run_id: int, **changes: Any) -> None:
        """Change fields of a run's :class:`Job`, those named only; ``None`` leaves one as it is.

        Raises ``BadFacts`` where there is no such run.
        """
        row = {name: value for name, value in changes.items() if value is not None}
        for name in ("settings", "facts"):
            if name in row:
                row[name] = json.dumps(dict(row[name]))
        with disk.told(self._folder), disk.one_transaction(self._db):
            if not list(self._db.query("SELECT 1 FROM runs WHERE id = ?", [run_id])):
                raise BadFacts(f"There is no run {run_id}.", "See watcher runs.")
            self._db.execute("INSERT OR IGNORE INTO jobs (run_id) VALUES (?)", (run_id,))
            if row:
                self._db.table("jobs").update(run_id, row)

    def job(self, run_id: int) -> Job:
        """What is known of a run; an empty one where nothing was noted."""
        rows = self._rows("SELECT * FROM jobs WHERE run_id = ?", run_id)
        return _job(rows[0]) if rows else Job(run_id)

    def jobs(self) -> dict[int, Job]:
        """All that is known, by run."""
        return {row["run_id"]: _job(row) for row in self._rows("SELECT * FROM jobs")}

    def last_notes(self, run_id: int) -> dict[str, float]:
        """The figures that the newest judged frame of a run left, for instance its ``pace``."""
        rows = self._rows(
            """SELECT notes FROM views WHERE run_id = ? AND notes != '{}'
               ORDER BY number DESC LIMIT 1""",
            run_id,
        )
        if not rows:
            return {}
        return {k: v for k, v in json.loads(rows[0]["notes"]).items() if v is not None}

    # Lists before a print

    def keep_sheet(self, made_utc_s: float, sheet: Mapping[str, Any]) -> None:
        """Keep a list, ready to be shown."""
        self._insert("sheets", {"made_utc_s": made_utc_s, "sheet": json.dumps(dict(sheet))})

    def newest_sheet(self) -> tuple[float, dict[str, Any]] | None:
        """When the newest list was made, in UTC seconds, and the list."""
        rows = self._rows("SELECT * FROM sheets ORDER BY id DESC LIMIT 1")
        return (rows[0]["made_utc_s"], json.loads(rows[0]["sheet"])) if rows else None

    # Conditions

    def keep_conditions(self, readings: Iterable[Condition], came_utc_s: float) -> int:
        """Keep readings in whatever order they came; a second copy of one is dropped.

        Returns how many were new.
        """
        new = 0
        with disk.told(self._folder), disk.one_transaction(self._db):
            for one in readings:
                new += self._db.execute(
                    """INSERT OR IGNORE INTO conditions
                       (place, what, utc_s, value, source, came_utc_s) VALUES (?, ?, ?, ?, ?, ?)""",
                    (one.place, one.what, one.utc_s, one.value, one.source, came_utc_s),
                ).rowcount
        return new

    def keep_unread(self, unread: Unread) -> None:
        """Keep what could not be read, so that nothing is lost; the same text is counted."""
        with disk.told(self._folder), disk.one_transaction(self._db):
            self._db.execute(
                """INSERT INTO unread_conditions (came_utc_s, source, text, why)
                   VALUES (?, ?, ?, ?)
                   ON CONFLICT (source, text) DO UPDATE SET times = times + 1""",
                (unread.came_utc_s, unread.source, unread.text, unread.why),
            )

    def conditions(
        self, since_utc_s: float, until_utc_s: float, watch: str | None = None
    ) -> list[Condition]:
        """Readings between two times, in order of measurement.

        With ``watch`` only those of that printer and those that name no place.
        """
        return [
            Condition(r["place"], r["what"], r["utc_s"], r["value"], r["source"])
            for r in self._rows(
                """SELECT * FROM conditions WHERE utc_s >= ? AND utc_s <= ?
                   AND (? IS NULL OR place IN ('', ?)) ORDER BY utc_s, id""",
                since_utc_s,
                until_utc_s,
                watch,
                watch,
            )
        ]

    def newest_condition(self, what: What, place: str | None = None) -> Condition | None:
        """The newest reading of one kind, of one place or of any."""
        rows = self._rows(
            """SELECT * FROM conditions WHERE what = ? AND (? IS NULL OR place = ?)
               ORDER BY utc_s DESC, id DESC LIMIT 1""",
            what,
            place,
            place,
        )
        if not rows:
            return None
        r = rows[0]
        return Condition(r["place"], r["what"], r["utc_s"], r["value"], r["source"])

    def unread(self) -> list[Unread]:
        """What could not be read, in the order in which it came."""
        return [
            Unread(r["came_utc_s"], r["source"], r["text"], r["why"], r["times"])
            for r in self._rows("SELECT * FROM unread_conditions ORDER BY id")
        ]

    def _insert(self, table: str, row: dict[str, Any]) -> int:
        with disk.told(self._folder), disk.one_transaction(self._db):
            self._db.table(table).insert(row)
            return int(self._db.execute("SELECT last_insert_rowid()").fetchone()[0])

    def _rows(self, sql: str, *values: object) -> list[dict[str, Any]]:
        with disk.told(self._folder):
            return list(self._db.query(sql, values))


def _job(row: Mapping[str, Any]) -> Job:
    return Job(
        run_id=row["run_id"],
        spool_id=row["spool_id"],
        material=row["material"],
        drying=row["drying"],
        bed=row["bed"],
        notes=row["notes"],
        outcome=row["outcome"],
        done=row["done"],
        settings=json.loads(row["settings"]),
        facts=json.loads(row["facts"]),
    )
