"""What a source hands over: pictures, and pictures that could not be used with the reason."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from watcher.records import Picture


@dataclass(frozen=True)
class Taken:
    """One usable picture."""

    name: str
    """File name within the run, for instance ``00001.jpg``."""
    jpeg: bytes
    """The picture as it is kept."""
    bgr: Picture
    """The same picture decoded: shape (H, W, 3), uint8, blue-green-red."""
    elapsed_s: float
    """Seconds since the print began."""
    utc_s: float | None = None
    """Seconds since 1970 in UTC when it was taken, where known."""


@dataclass(frozen=True)
class Missed:
    """One picture that can't be used, and why. It never ends a night."""

    name: str
    reason: str
    """Part of a sentence, for instance ``the picture is cut short``."""
    elapsed_s: float | None = None
    wrong_size: bool = False
    """The picture is whole, but not of the size that the setup gives."""


def picture_name(number: int) -> str:
    """Name of the picture that is the ``number``-th of its run, counted from 1."""
    return f"{number:05d}.jpg"


class Source(Protocol):
    """A place that pictures come from."""

    @property
    def total(self) -> int | None:
        """How many items ``pictures`` will give, where that is known."""

    @property
    def remarks(self) -> tuple[str, ...]:
        """Sentences on what was odd about the source as a whole."""

    def pictures(self) -> Iterator[Taken | Missed]:
        """Give the pictures in order of time; live sources go on until they are closed."""

    def close(self) -> None:
        """Let go of camera, connection or file. May be called more than once."""
