"""What holds for every live source: pictures are numbered on, and a frozen feed is noticed."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import replace

from watcher.sources.taken import Missed, Source, Taken, picture_name


class Vigil:
    """Wraps a live source.

    A camera's noise makes every picture different from the last, so one that is the same in every
    pixel was not taken anew: it tells nothing and must not be counted as evidence that all is
    well.
    """

    def __init__(self, source: Source, after: int = 0) -> None:
        """``after`` is the number of the last picture that an interrupted run has."""
        self._source = source
        self._taken = after
        self._before: int | None = None

    @property
    def total(self) -> int | None:
        return self._source.total

    @property
    def remarks(self) -> tuple[str, ...]:
        return self._source.remarks

    def pictures(self) -> Iterator[Taken | Missed]:
        for item in self._source.pictures():
            self._taken += 1
            yield self._checked(replace(item, name=picture_name(self._taken)))

    def close(self) -> None:
        self._source.close()

    def _checked(self, item: Taken | Missed) -> Taken | Missed:
        if isinstance(item, Missed):
            return item
        before, self._before = self._before, zlib.crc32(item.bgr.tobytes())
        if self._before == before:
            return Missed(
                item.name, "the camera sent the same picture again: it is frozen", item.elapsed_s
            )
        return item
