"""Hears readings from an MQTT broker and from a CSV file, and keeps them."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from watcher.conditions.reading import BadReading, read_json, read_number, read_row
from watcher.conditions.tail import Tail
from watcher.stopping import Broker
from watcher.store import Condition, Store, Unread, What
from watcher.trouble import BadStore

Read = Callable[[], list[Condition]]
MOST_WAITING = 100_000


def keep(store: Store, source: str, text: str, came_utc_s: float, read: Read) -> bool:
    """Keep a text's readings, or else the text itself with the reason; whether it was good."""
    try:
        store.ledger.keep_conditions(read(), came_utc_s)
    except BadReading as bad:
        store.ledger.keep_unread(Unread(came_utc_s, source, text[:4096], str(bad)))
        return False
    return True


@dataclass
class Ear:
    """Listens from a thread of its own until closed.

    What comes while the store is locked or its disk full waits in memory and is kept later.
    """

    data: Path
    place: str
    now: Callable[[], float]
    """UTC seconds."""
    csv_file: Path | None = None
    broker: Broker | None = None
    topics: Mapping[str, What | None] = field(default_factory=dict)
    """Topic to what it carries; ``None``: JSON objects."""
    every_s: float = 2.0
    connected: threading.Event = field(default_factory=threading.Event)
    """Set while the broker has confirmed the subscriptions."""
    _waiting: list[tuple[str, str, float, Read]] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _ended: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None
    _client: Any = None

    def start(self) -> None:
        """Begin to listen. A broker that is away is tried again until it is there."""
        if self.broker is not None and self.topics:
            self._client = client = self.broker.client()
            client.on_connect = self._connect
            client.on_subscribe = lambda *_: self.connected.set()
            client.on_disconnect = lambda *_: self.connected.clear()
            client.on_message = self._message
            client.reconnect_delay_set(1, 30)
            client.connect_async(self.broker.host, self.broker.port)
            client.loop_start()
        self._thread = threading.Thread(target=self._run, name="conditions", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Keep what is waiting and stop."""
        if self._client is not None:
            self._client.disconnect()
            self._client.loop_stop()
        self._ended.set()
        if self._thread is not None:
            self._thread.join(timeout=10)

    def _connect(self, client: Any, _: Any, __: Any, reason: Any, ___: Any) -> None:
        if not reason.is_failure:
            client.subscribe([(topic, 1) for topic in self.topics])

    def _message(self, _: Any, __: Any, message: Any) -> None:
        text = message.payload.decode("utf-8", "replace")
        what = self.topics.get(message.topic)
        came, source = self.now(), f"mqtt {message.topic}"

        def read() -> list[Condition]:
            if what is None:
                return read_json(text, self.place, source, came)
            return read_number(text, what, self.place, source, came)

        self._wait(source, text, came, read)

    def _wait(self, source: str, text: str, came: float, read: Read) -> None:
        with self._lock:
            if len(self._waiting) < MOST_WAITING:
                self._waiting.append((source, text, came, read))

    def _run(self) -> None:
        tail = Tail(self.csv_file) if self.csv_file is not None else None
        while True:
            last = self._ended.wait(self.every_s)
            if tail is not None:
                self._look(tail)
            with contextlib.suppress(BadStore):
                self._keep_waiting()
            if last:
                return

    def _look(self, tail: Tail) -> None:
        came, source = self.now(), f"csv {tail.path.name}"
        for line, row in tail.rows():

            def read(row: dict[str, str] | None = row) -> list[Condition]:
                if row is None:
                    raise BadReading("not as many cells as the header has")
                return read_row(row, self.place, source, came)

            self._wait(source, line, came, read)

    def _keep_waiting(self) -> None:
        if not self._waiting:
            return
        with Store.open(self.data, write=True) as store:
            while self._waiting:
                source, text, came, read = self._waiting[0]
                keep(store, source, text, came, read)
                # Kept first, forgotten second: what a full disk refuses stays in the queue.
                with self._lock:
                    del self._waiting[0]
