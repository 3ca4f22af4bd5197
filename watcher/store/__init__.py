"""What is kept of every run: a SQLite database and, beside it, the pictures as JPEG files.

``DATA/watcher.db`` and ``DATA/runs/<run id>/frames/<name>``. This is the only room that touches
the disk after a picture came in.
"""

from watcher.store.book import Book, KeptAlarm, KeptStop, Sign
from watcher.store.kept import (
    AdviceFrom,
    Ending,
    KeptAnswer,
    KeptFrame,
    KeptMoment,
    Plan,
    Run,
    RunLabel,
    Series,
    Skipped,
    State,
    ToolpathFacts,
)
from watcher.store.store import Store

__all__ = [
    "AdviceFrom",
    "Book",
    "Ending",
    "KeptAlarm",
    "KeptAnswer",
    "KeptFrame",
    "KeptMoment",
    "KeptStop",
    "Plan",
    "Run",
    "RunLabel",
    "Series",
    "Sign",
    "Skipped",
    "State",
    "Store",
    "ToolpathFacts",
]
