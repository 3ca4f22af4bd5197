"""An MJPEG stream over HTTP. A thread reads along, so that the picture taken is the newest."""

from __future__ import annotations

import http.client
import threading
from collections.abc import Iterator
from dataclasses import dataclass

from watcher.sources.address import Address
from watcher.sources.clock import Clock, Pace, Tempo
from watcher.sources.jpeg import from_file
from watcher.sources.multipart import parts
from watcher.sources.retry import pauses_s
from watcher.sources.taken import Missed, Taken, picture_name
from watcher.trouble import BadSource

PATIENCE_S = 30.0
"""After so long without a picture the watch says that it can't see."""


@dataclass(frozen=True)
class _Arrival:
    data: bytes
    elapsed_s: float
    utc_s: float


class Stream:
    """Takes the newest picture of the stream every ``interval_s`` and reconnects when it ends."""

    total: int | None = None
    remarks: tuple[str, ...] = ()

    def __init__(
        self,
        address: Address,
        first: http.client.HTTPResponse,
        frame_size: tuple[int, int],
        interval_s: float | Tempo,
        clock: Clock,
        *,
        patience_s: float = PATIENCE_S,
    ) -> None:
        """``first`` is the answer of ``address``, open and not yet read."""
        self._address = address
        self._frame_size = frame_size
        self._interval_s = interval_s
        self._clock = clock
        self._patience_s = patience_s
        self._closed = threading.Event()
        self._changed = threading.Condition()
        self._newest: _Arrival | None = None
        self._trouble = "the camera sends nothing"
        self._thread = threading.Thread(target=self._read, args=(first,), daemon=True)
        self._thread.start()

    def pictures(self) -> Iterator[Taken | Missed]:
        pace = Pace(self._clock, self._interval_s)
        taken = 0
        while not self._closed.is_set():
            arrival = self._take()
            taken += 1
            yield self._picture(picture_name(taken), arrival)
            pace.wait()

    def close(self) -> None:
        self._closed.set()

    def _take(self) -> _Arrival | None:
        """The newest picture that was not taken yet; None where none comes."""
        with self._changed:
            self._changed.wait_for(lambda: self._newest is not None, self._patience_s)
            arrival, self._newest = self._newest, None
            return arrival

    def _picture(self, name: str, arrival: _Arrival | None) -> Taken | Missed:
        if arrival is None:
            return Missed(
                name,
                f"no picture came for {self._patience_s:g} s: {self._trouble}",
                self._clock.elapsed_s(),
            )
        return from_file(name, arrival.data, self._frame_size, arrival.elapsed_s, arrival.utc_s)

    def _read(self, response: http.client.HTTPResponse | None) -> None:
        pauses = pauses_s()
        while not self._closed.is_set():
            try:
                if response is None:
                    response = self._address.open()
                with response:
                    for data in parts(response, boundary(response)):
                        pauses = pauses_s()
                        self._arrived(data)
                        if self._closed.is_set():
                            return
                self._trouble = "the camera ended its stream"
            except BadSource as trouble:
                self._trouble = str(trouble)
            except (OSError, http.client.HTTPException, ValueError) as error:
                self._trouble = str(self._address.unreachable(error))
            response = None
            self._closed.wait(next(pauses))

    def _arrived(self, data: bytes) -> None:
        with self._changed:
            self._newest = _Arrival(data, self._clock.elapsed_s(), self._clock.utc_s())
            self._changed.notify()


def boundary(response: http.client.HTTPResponse) -> str:
    """The boundary of a multipart answer, empty where it names none."""
    return str(response.headers.get_param("boundary", ""))
