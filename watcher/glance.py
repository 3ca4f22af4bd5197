"""Takes pictures for a person who sets a printer up on the page.

A camera is opened once and asked for picture after picture by a thread of its own, which lets it
go soon after the last one was asked for; a camera that hangs hangs that thread and nobody else.
While a watch holds the camera, its newest kept picture is given instead.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from watcher.config import Printer
from watcher.sources.address import read_address
from watcher.sources.glimpse import WISH, Glimpse
from watcher.store import Store
from watcher.trouble import BadSource, BadStore, Trouble

PATIENCE_S = 6.0
"""So long a person waits for a picture before being told that none comes."""
IDLE_S = 10.0
MOST_CAMERAS = 4
HIGHEST_NUMBER = 63


class Taking(Protocol):
    """What takes the pictures, as ``Glimpse`` does."""

    def picture(self) -> bytes: ...
    def close(self) -> None: ...


@dataclass(frozen=True)
class Sighting:
    """A picture and where it comes from."""

    jpeg: bytes
    words: str
    """``from the camera``, or that it is a watch's newest."""


class Eyes:
    """Gives pictures of the configured printers, and of cameras that a person names."""

    def __init__(
        self,
        printers: tuple[Printer, ...],
        data: Path,
        *,
        make: Callable[[str, tuple[int, int]], Taking] = Glimpse,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self.printers = printers
        self._data = data
        self._make = make
        self._patience_s = patience_s
        self._lock = threading.Lock()
        self._takers: dict[str, _Taker] = {}

    def check(self, address: str) -> None:
        """Raise ``BadSource`` where an address that was typed into the page must not be opened.

        This machine opens what is typed, so a page that took any address would let whoever reaches
        it ask things in this machine's name (server-side request forgery). Therefore only a request
        that may act, with the page's own token, comes this far: access.py and the forms see to
        that, and a share link never does. Cameras stand in the local network and often on this very
        machine, so private addresses can't be shut out. Instead nothing of an answer is shown
        unless it is a whole picture, taken by GET, bounded in size and time, with no header or body
        of the asker's choice; what is left is learning whether something answers, to somebody who
        can stop the printer anyhow. A path is another matter: it would show any picture on this
        disk to a person at another machine. Folders and files are opened only where the owner has
        written them into the configuration. Other schemes, ``file:`` among them, are refused by
        ``read_address``.
        """
        if address.isascii() and address.isdigit() and int(address) <= HIGHEST_NUMBER:
            return
        if address in (printer.source for printer in self.printers):
            return
        if "://" in address:
            read_address(address)
            return
        raise BadSource(
            "From the page only a camera's number or an http:// or rtsp:// address is opened.",
            "Name a folder or a video file in the configuration.",
        )

    def shown(self, address: str) -> str:
        """The address as people may see it: no password."""
        return read_address(address).shown if "://" in address else address

    def picture(self, address: str, wish: tuple[int, int] | None = None) -> Sighting:
        """A new picture. Raises ``BadSource`` where none comes, with one sentence.

        ``wish`` is the width and height asked of a camera by number.
        """
        self.check(address)
        kept = self._of_a_watch(address)
        if kept is not None:
            return kept
        with self._lock:
            self._takers = {a: t for a, t in self._takers.items() if not t.ended}
            taker = self._takers.get(address)
            if taker is None:
                if len(self._takers) >= MOST_CAMERAS:
                    raise BadSource(
                        "Too many cameras are open at once.", "Wait a quarter of a minute."
                    )
                taker = _Taker(lambda: self._make(address, wish or WISH))
                self._takers[address] = taker
        jpeg = taker.ask(self._patience_s)
        if jpeg is None:
            raise BadSource(
                f"{self.shown(address) if '://' in address else f'Camera {address}'} has given no "
                f"picture for {self._patience_s:g} s.",
                "Check that it is on, its address, and that no other program holds it.",
            )
        return Sighting(jpeg, "from the camera")

    def _of_a_watch(self, address: str) -> Sighting | None:
        """The newest picture of a watch that holds this camera now."""
        names = {p.name for p in self.printers if p.source == address} | {self.shown(address)}
        try:
            with Store.open(self._data, write=False) as store:
                for sign in store.book.signs():
                    if not sign.fresh or sign.watch not in names or sign.run_id is None:
                        continue
                    run = store.run(sign.run_id)
                    path = (
                        store.frame_path(run.id, run.newest_frame)
                        if run is not None and run.newest_frame
                        else None
                    )
                    if path is None:
                        raise BadSource(
                            "A watch holds this camera and has kept no picture yet.",
                            "Wait for its first one.",
                        )
                    return Sighting(path.read_bytes(), "the newest picture of the running watch")
        except (BadStore, OSError):
            return None
        return None


class _Taker:
    """A camera with its thread."""

    def __init__(self, make: Callable[[], Taking]) -> None:
        self._make = make
        self._asking = threading.Lock()
        self._wanted: queue.Queue[bool] = queue.Queue()
        self._given: queue.Queue[bytes | Trouble] = queue.Queue()
        self._owed = 0
        self.ended = False
        threading.Thread(target=self._work, name="glance", daemon=True).start()

    def ask(self, patience_s: float) -> bytes | None:
        """The next picture; ``None`` where it does not come in time. Raises ``Trouble``."""
        until_s = time.monotonic() + patience_s
        if not self._asking.acquire(timeout=patience_s):
            return None
        try:
            # An answer that came after its asker had gone is old.
            while self._owed and not self._given.empty():
                self._given.get()
                self._owed -= 1
            if not self._owed:
                self._owed += 1
                self._wanted.put(True)
            given = self._given.get(timeout=max(0.01, until_s - time.monotonic()))
            self._owed -= 1
        except queue.Empty:
            return None
        finally:
            self._asking.release()
        if isinstance(given, Trouble):
            raise given
        return given

    def _work(self) -> None:
        camera: Taking | None = None
        try:
            while True:
                try:
                    self._wanted.get(timeout=IDLE_S)
                except queue.Empty:
                    return
                try:
                    camera = camera or self._make()
                    self._given.put(camera.picture())
                except Trouble as trouble:
                    if camera is not None:
                        camera.close()
                    camera = None
                    self._given.put(trouble)
        finally:
            self.ended = True
            if camera is not None:
                camera.close()
