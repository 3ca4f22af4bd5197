"""What is kept of every run: a SQLite database and, beside it, the pictures as JPEG files.

``DATA/watcher.db`` and ``DATA/runs/<run id>/frames/<name>``. This is the only room that touches
the disk after a picture came in.
"""

from watcher.store.book import TEST, Book, KeptAlarm, KeptStop, Sign
from watcher.store.kept import (
    AdviceFrom,
    Ending,
    KeptAnswer,
    KeptFrame,
    KeptMoment,
    Lift,
    Listed,
    Plan,
    Removed,
    Run,
    RunLabel,
    Series,
    Skipped,
    State,
    ToolpathFacts,
)
from watcher.store.ledger import (
    Condition,
    Job,
    Ledger,
    Outcome,
    Spool,
    SpoolEvent,
    Unread,
    What,
)
from watcher.store.shelf import REMOVED_AFTER_S
from watcher.store.store import Store

__all__ = [
    "REMOVED_AFTER_S",
    "TEST",
    "AdviceFrom",
    "Book",
    "Condition",
    "Ending",
    "Job",
    "KeptAlarm",
    "KeptAnswer",
    "KeptFrame",
    "KeptMoment",
    "KeptStop",
    "Ledger",
    "Lift",
    "Listed",
    "Outcome",
    "Plan",
    "Removed",
    "Run",
    "RunLabel",
    "Series",
    "Sign",
    "Skipped",
    "Spool",
    "SpoolEvent",
    "State",
    "Store",
    "ToolpathFacts",
    "Unread",
    "What",
]
