"""Tables, only ever made by numbered migrations."""

from __future__ import annotations

from sqlite_utils import Database

from watcher.trouble import BadStore

APPLICATION_ID = 0x57544348
"""Marks a SQLite file as ours."""

MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE runs (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            name TEXT NOT NULL,
            source TEXT NOT NULL,
            started_utc_s REAL NOT NULL,
            ended_utc_s REAL,
            ending TEXT,
            setup TEXT NOT NULL,
            toolpath TEXT,
            evidence BLOB
        )""",
        """CREATE TABLE frames (
            run_id INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
            number INTEGER NOT NULL,
            name TEXT NOT NULL,
            elapsed_s REAL NOT NULL,
            utc_s REAL,
            width INTEGER NOT NULL,
            height INTEGER NOT NULL,
            PRIMARY KEY (run_id, number),
            UNIQUE (run_id, name)
        ) WITHOUT ROWID""",
        """CREATE TABLE views (
            run_id INTEGER NOT NULL,
            number INTEGER NOT NULL,
            registered INTEGER NOT NULL,
            sigma_px REAL,
            layer INTEGER NOT NULL,
            mm_per_px REAL,
            reason TEXT NOT NULL,
            outlines TEXT NOT NULL,
            notes TEXT NOT NULL,
            PRIMARY KEY (run_id, number),
            FOREIGN KEY (run_id, number) REFERENCES frames ON DELETE CASCADE
        )""",
        """CREATE TABLE readings (
            run_id INTEGER NOT NULL,
            number INTEGER NOT NULL,
            kind TEXT NOT NULL,
            place TEXT NOT NULL,
            x_mm REAL, y_mm REAL, z_mm REAL,
            value REAL,
            sigma REAL,
            unit TEXT NOT NULL,
            unseen TEXT NOT NULL,
            FOREIGN KEY (run_id, number) REFERENCES frames ON DELETE CASCADE
        )""",
        "CREATE INDEX readings_of_frame ON readings (run_id, number)",
        """CREATE INDEX clear_lifts ON readings (run_id, value)
            WHERE kind = 'corner-lift' AND value >= 3 * sigma""",
        """CREATE TABLE suspicions (
            run_id INTEGER NOT NULL,
            number INTEGER NOT NULL,
            kind TEXT NOT NULL,
            place TEXT NOT NULL,
            x_mm REAL, y_mm REAL, z_mm REAL,
            strength REAL,
            threshold REAL,
            began INTEGER NOT NULL,
            amount REAL,
            sigma REAL,
            unit TEXT NOT NULL,
            FOREIGN KEY (run_id, number) REFERENCES frames ON DELETE CASCADE
        )""",
        "CREATE INDEX suspicions_of_frame ON suspicions (run_id, number)",
        """CREATE TABLE advice (
            run_id INTEGER NOT NULL,
            number INTEGER NOT NULL,
            level TEXT NOT NULL,
            sentence TEXT NOT NULL,
            kind TEXT,
            place TEXT NOT NULL,
            x_mm REAL, y_mm REAL, z_mm REAL,
            amount REAL,
            sigma REAL,
            unit TEXT NOT NULL,
            since_s REAL,
            PRIMARY KEY (run_id, number),
            FOREIGN KEY (run_id, number) REFERENCES frames ON DELETE CASCADE
        )""",
        """CREATE TABLE moments (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            run_id INTEGER NOT NULL,
            noticed INTEGER NOT NULL,
            number INTEGER NOT NULL,
            name TEXT NOT NULL,
            elapsed_s REAL NOT NULL,
            kind TEXT NOT NULL,
            level TEXT NOT NULL,
            sentence TEXT NOT NULL,
            FOREIGN KEY (run_id, noticed) REFERENCES frames ON DELETE CASCADE
        )""",
        "CREATE INDEX moments_of_run ON moments (run_id, number)",
    ),
    (
        """CREATE TABLE skipped (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            run_id INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
            name TEXT NOT NULL,
            why TEXT NOT NULL
        )""",
        "CREATE INDEX skipped_of_run ON skipped (run_id)",
    ),
    # What it takes to judge a run again without its pictures, and what persons said of it.
    (
        "ALTER TABLE readings ADD COLUMN measured_value REAL",
        "ALTER TABLE readings ADD COLUMN measured_sigma REAL",
        "ALTER TABLE suspicions ADD COLUMN per_hour REAL",
        "ALTER TABLE suspicions ADD COLUMN chance REAL",
        "ALTER TABLE advice ADD COLUMN per_hour REAL",
        "ALTER TABLE advice ADD COLUMN at_end REAL",
        "ALTER TABLE advice ADD COLUMN chance REAL",
        "ALTER TABLE advice ADD COLUMN unseen TEXT",
        "ALTER TABLE advice ADD COLUMN stake TEXT",
        """CREATE TABLE plans (
            run_id INTEGER PRIMARY KEY REFERENCES runs ON DELETE CASCADE,
            layers TEXT NOT NULL,
            weights TEXT NOT NULL
        )""",
        """CREATE TABLE answers (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            run_id INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
            said TEXT NOT NULL,
            utc_s REAL NOT NULL,
            kind TEXT,
            place TEXT NOT NULL,
            heard INTEGER
        )""",
        "CREATE INDEX answers_of_run ON answers (run_id, id)",
    ),
    (
        # Where the run stands on the machine's monotonic clock, so that a later process finds
        # the elapsed time again however the wall clock was set meanwhile.
        "ALTER TABLE runs ADD COLUMN boot TEXT NOT NULL DEFAULT ''",
        "ALTER TABLE runs ADD COLUMN began_s REAL",
        "ALTER TABLE runs ADD COLUMN watch TEXT NOT NULL DEFAULT ''",
        "ALTER TABLE runs ADD COLUMN armed_min REAL",
        "ALTER TABLE runs ADD COLUMN evidence_number INTEGER",
        "ALTER TABLE frames ADD COLUMN thinned INTEGER NOT NULL DEFAULT 0",
        """CREATE TABLE alarms (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            run_id INTEGER REFERENCES runs ON DELETE CASCADE,
            utc_s REAL NOT NULL,
            concern TEXT NOT NULL,
            title TEXT NOT NULL,
            sentence TEXT NOT NULL,
            sent INTEGER NOT NULL,
            detail TEXT NOT NULL,
            answer_before REAL,
            boot TEXT NOT NULL,
            monotonic_s REAL NOT NULL
        )""",
        "CREATE INDEX alarms_of_run ON alarms (run_id, concern)",
        """CREATE TABLE acknowledgments (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            run_id INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
            utc_s REAL NOT NULL
        )""",
        "CREATE INDEX acknowledgments_of_run ON acknowledgments (run_id)",
        """CREATE TABLE stops (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            run_id INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
            utc_s REAL NOT NULL,
            who TEXT NOT NULL,
            action TEXT NOT NULL,
            dry INTEGER NOT NULL,
            ok INTEGER,
            detail TEXT NOT NULL
        )""",
        "CREATE INDEX stops_of_run ON stops (run_id)",
        """CREATE TABLE signs (
            watch TEXT PRIMARY KEY,
            run_id INTEGER,
            boot TEXT NOT NULL,
            monotonic_s REAL NOT NULL,
            utc_s REAL NOT NULL,
            patience_s REAL NOT NULL,
            trouble TEXT NOT NULL
        )""",
    ),
    # What is known before a print and learnt after it: spools, settings, conditions.
    (
        """CREATE TABLE spools (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            name TEXT NOT NULL UNIQUE,
            material TEXT NOT NULL,
            diameter_mm REAL NOT NULL,
            density_g_cm3 REAL,
            price_per_kg REAL,
            marked_g REAL,
            empty_g REAL,
            sealed INTEGER NOT NULL DEFAULT 0,
            added_utc_s REAL NOT NULL
        )""",
        """CREATE TABLE spool_events (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            spool_id INTEGER NOT NULL REFERENCES spools ON DELETE CASCADE,
            utc_s REAL NOT NULL,
            kind TEXT NOT NULL,
            gross_g REAL,
            length_mm REAL,
            run_id INTEGER REFERENCES runs ON DELETE SET NULL,
            hours REAL,
            celsius REAL
        )""",
        "CREATE INDEX events_of_spool ON spool_events (spool_id, utc_s)",
        """CREATE TABLE jobs (
            run_id INTEGER PRIMARY KEY REFERENCES runs ON DELETE CASCADE,
            spool_id INTEGER REFERENCES spools ON DELETE SET NULL,
            material TEXT NOT NULL DEFAULT '',
            drying TEXT NOT NULL DEFAULT '',
            bed TEXT NOT NULL DEFAULT '',
            notes TEXT NOT NULL DEFAULT '',
            outcome TEXT NOT NULL DEFAULT '',
            done TEXT NOT NULL DEFAULT '',
            settings TEXT NOT NULL DEFAULT '{}',
            facts TEXT NOT NULL DEFAULT '{}'
        )""",
        """CREATE TABLE conditions (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            place TEXT NOT NULL,
            what TEXT NOT NULL,
            utc_s REAL NOT NULL,
            value REAL NOT NULL,
            source TEXT NOT NULL,
            came_utc_s REAL NOT NULL,
            UNIQUE (place, what, utc_s, value)
        )""",
        "CREATE INDEX conditions_in_time ON conditions (place, utc_s)",
        """CREATE TABLE unread_conditions (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            came_utc_s REAL NOT NULL,
            source TEXT NOT NULL,
            text TEXT NOT NULL,
            why TEXT NOT NULL,
            times INTEGER NOT NULL DEFAULT 1,
            UNIQUE (source, text)
        )""",
        """CREATE TABLE sheets (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            made_utc_s REAL NOT NULL,
            sheet TEXT NOT NULL
        )""",
    ),
    # A deleted run stays for a while, so that it can be brought back.
    (
        "ALTER TABLE runs ADD COLUMN deleted_utc_s REAL",
        "CREATE INDEX deleted_runs ON runs (deleted_utc_s) WHERE deleted_utc_s IS NOT NULL",
    ),
    # What a person calls a run, and says of its flagged moments.
    (
        "ALTER TABLE runs ADD COLUMN renamed TEXT NOT NULL DEFAULT ''",
        "ALTER TABLE moments ADD COLUMN truth TEXT NOT NULL DEFAULT ''",
        "ALTER TABLE moments ADD COLUMN cause TEXT NOT NULL DEFAULT ''",
    ),
)


def version(db: Database) -> int:
    """Number of the last migration that ran; 0 for an empty database.

    Raises ``BadStore`` for a database that another program made, or a newer version of this one.
    """
    number = int(db.execute("PRAGMA user_version").fetchone()[0])
    # Whose it is comes last: another process may make the tables while they are looked for.
    if (number or db.table_names()) and _application(db) != APPLICATION_ID:
        raise BadStore(
            "The database in the data folder was made by another program.",
            "Choose another folder with --data.",
        )
    if number > len(MIGRATIONS):
        raise BadStore(
            f"The data folder was written by a newer version of watcher (schema {number}, "
            f"this one knows {len(MIGRATIONS)}).",
            "Install the newer version, or choose another folder with --data.",
        )
    return number


def _application(db: Database) -> int:
    return int(db.execute("PRAGMA application_id").fetchone()[0])


def migrate(db: Database) -> None:
    """Run the migrations that are still to come, each in one transaction."""
    while version(db) < len(MIGRATIONS):
        db.execute("BEGIN IMMEDIATE")
        try:
            # Read again inside the transaction: another process may have been quicker.
            number = version(db)
            if number < len(MIGRATIONS):
                for statement in MIGRATIONS[number]:
                    db.execute(statement)
                db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                db.execute(f"PRAGMA user_version = {number + 1}")
            db.execute("COMMIT")
        except BaseException:
            db.rollback()
            raise
