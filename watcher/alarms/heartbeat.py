"""Asks for an address now and then as long as all is well, so that another machine notices when
this one has died: a dead man's switch."""

from __future__ import annotations

import threading
import urllib.error
import urllib.request
from collections.abc import Callable

TIMEOUT_S = 10.0


class Heartbeat:
    """Beats from a thread of its own while ``well`` says so."""

    def __init__(self, url: str, every_s: float, well: Callable[[], bool]) -> None:
        self._url = url
        self._every_s = every_s
        self._well = well
        self._ended = threading.Event()
        self.trouble = ""
        """Why the last beat was not heard; empty where it was."""
        self._thread = threading.Thread(target=self._beat, name="heartbeat", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Beat no more."""
        self._ended.set()
        self._thread.join(TIMEOUT_S)

    def _beat(self) -> None:
        while not self._ended.wait(self._every_s):
            if not self._well():
                continue
            try:
                with urllib.request.urlopen(self._url, timeout=TIMEOUT_S) as answer:
                    answer.read(1024)
                self.trouble = ""
            # The address may hold a key, so the error's own words are left out.
            except (urllib.error.URLError, OSError, ValueError) as error:
                self.trouble = f"The heartbeat address can't be reached ({type(error).__name__})."
