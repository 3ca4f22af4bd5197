"""What is kept of every run: a SQLite database and, beside it, the pictures as JPEG files.

``DATA/watcher.db`` and ``DATA/runs/<run id>/frames/<name>``. This is the only room that touches
the disk after a picture came in.
"""

from watcher.store.kept import (
    AdviceFrom,
    Ending,
    KeptAnswer,
    KeptFrame,
    KeptMoment,
    Plan,
    Run,
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
from watcher.store.store import Store

__all__ = [
    "AdviceFrom",
    "Condition",
    "Ending",
    "Job",
    "KeptAnswer",
    "KeptFrame",
    "KeptMoment",
    "Ledger",
    "Outcome",
    "Plan",
    "Run",
    "Series",
    "Skipped",
    "Spool",
    "SpoolEvent",
    "State",
    "Store",
    "ToolpathFacts",
    "Unread",
    "What",
]
