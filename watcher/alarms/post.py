"""A thread that sends, so that a service that hangs never holds up the watch."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable

from watcher.alarms.concern import Alarm
from watcher.alarms.services import Delivery, Send

WAITING = 20
"""Messages that may wait; more would only be stale."""


class Post:
    """Takes messages at once and sends them one after the other."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self._waiting: queue.Queue[tuple[Alarm, Callable[[tuple[Delivery, ...]], None]] | None] = (
            queue.Queue(WAITING)
        )
        self._thread = threading.Thread(target=self._work, name="post", daemon=True)
        self._thread.start()

    def take(self, alarm: Alarm, done: Callable[[tuple[Delivery, ...]], None]) -> bool:
        """Send soon and call ``done`` from the sending thread; false where too many wait."""
        try:
            self._waiting.put_nowait((alarm, done))
        except queue.Full:
            return False
        return True

    def close(self, patience_s: float = 10.0) -> None:
        """Send what waits, but not for longer than ``patience_s``."""
        try:
            self._waiting.put(None, timeout=patience_s)
        except queue.Full:
            return
        self._thread.join(patience_s)

    def _work(self) -> None:
        while (item := self._waiting.get()) is not None:
            alarm, done = item
            done(self._send(alarm))
