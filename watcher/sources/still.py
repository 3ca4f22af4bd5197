"""An HTTP address that answers with one picture each time it is asked."""

from __future__ import annotations

from collections.abc import Iterator

from watcher.sources.address import Address
from watcher.sources.clock import Clock, Pace, Tempo
from watcher.sources.jpeg import from_file
from watcher.sources.retry import pauses_s
from watcher.sources.taken import Missed, Taken, picture_name
from watcher.trouble import BadSource


class Still:
    """Asks every ``interval_s``; while the camera is away it asks less often."""

    total: int | None = None
    remarks: tuple[str, ...] = ()

    def __init__(
        self, address: Address, frame_size: tuple[int, int], interval_s: float | Tempo, clock: Clock
    ) -> None:
        self._address = address
        self._frame_size = frame_size
        self._interval_s = interval_s
        self._clock = clock
        self._closed = False

    def pictures(self) -> Iterator[Taken | Missed]:
        pace = Pace(self._clock, self._interval_s)
        pauses = pauses_s()
        taken = 0
        while not self._closed:
            taken += 1
            name, elapsed_s = picture_name(taken), self._clock.elapsed_s()
            try:
                data = self._address.fetch()
            except BadSource as trouble:
                yield Missed(name, str(trouble), elapsed_s)
                self._clock.wait(next(pauses))
            else:
                pauses = pauses_s()
                yield from_file(name, data, self._frame_size, elapsed_s, self._clock.utc_s())
            pace.wait()

    def close(self) -> None:
        self._closed = True
