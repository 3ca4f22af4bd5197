"""A folder that another program drops pictures into."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from watcher.sources.clock import Clock, Pace, Tempo
from watcher.sources.jpeg import from_file
from watcher.sources.taken import Missed, Taken, picture_name
from watcher.trouble import BadSource

SUFFIXES = frozenset({".jpg", ".jpeg", ".png"})
POLL_S = 1.0
PATIENCE_S = 1800.0
"""Pictures dropped in once a layer may come many minutes apart."""
SETTLED_POLLS = 3
"""A picture that has not grown for so long will not get whole any more."""

Version = tuple[str, int, int]
"""Name, time of change (ns) and size of a file: a picture written over is a new one."""


class Folder:
    """Takes the newest picture that came since the watch began, at most one an ``interval_s``.

    What lies there at the start is of another day and left alone.
    """

    total: int | None = None
    remarks: tuple[str, ...] = ()

    def __init__(
        self, folder: Path, frame_size: tuple[int, int], interval_s: float | Tempo, clock: Clock
    ) -> None:
        """Raise ``BadSource`` where the folder can't be read."""
        self._folder = folder
        self._frame_size = frame_size
        self._interval_s = interval_s
        self._clock = clock
        self._closed = False
        if not folder.is_dir():
            raise BadSource(f"There is no folder {folder}.", "Make it, or name another source.")
        try:
            self._known = set(self._versions())
        except OSError as error:
            raise BadSource(
                f"{folder} can't be read ({error.strerror}).", "Check its permissions."
            ) from None

    def pictures(self) -> Iterator[Taken | Missed]:
        pace = Pace(self._clock, self._interval_s)
        taken = 0
        last_s = self._clock.elapsed_s()
        unsettled: tuple[Version | None, int] = (None, 0)
        while not self._closed:
            elapsed_s = self._clock.elapsed_s()
            version, why = self._newest()
            if version is None:
                if elapsed_s - last_s >= PATIENCE_S:
                    last_s = elapsed_s
                    taken += 1
                    yield Missed(picture_name(taken), why, elapsed_s)
                self._clock.wait(POLL_S)
                continue
            item = self._picture(picture_name(taken + 1), version[0], elapsed_s)
            if isinstance(item, Missed) and not item.wrong_size:
                polls = unsettled[1] + 1 if unsettled[0] == version else 1
                unsettled = (version, polls)
                if polls < SETTLED_POLLS:
                    self._clock.wait(POLL_S)
                    continue
            self._known.add(version)
            taken += 1
            last_s = elapsed_s
            yield item
            pace.wait()

    def close(self) -> None:
        self._closed = True

    def _versions(self) -> list[Version]:
        """All pictures in the folder, oldest first."""
        found = []
        for path in self._folder.iterdir():
            if path.suffix.lower() not in SUFFIXES or path.name.startswith("."):
                continue
            try:
                state = path.stat()
            except FileNotFoundError:
                continue
            found.append((path.name, state.st_mtime_ns, state.st_size))
        return sorted(found, key=lambda version: (version[1], version[0]))

    def _newest(self) -> tuple[Version | None, str]:
        """The newest unknown picture, or why there is none."""
        try:
            versions = self._versions()
        except OSError as error:
            return None, f"the folder can't be read ({error.strerror})"
        self._known &= set(versions)
        new = [version for version in versions if version not in self._known]
        if not new:
            return None, "no new picture was dropped into the folder"
        self._known.update(new[:-1])
        return new[-1], ""

    def _picture(self, name: str, file: str, elapsed_s: float) -> Taken | Missed:
        try:
            data = (self._folder / file).read_bytes()
        except OSError as error:
            return Missed(name, f"{file} can't be read ({error.strerror})", elapsed_s)
        item = from_file(name, data, self._frame_size, elapsed_s, self._clock.utc_s())
        if isinstance(item, Missed):
            return replace(item, reason=f"{file}: {item.reason}")
        return item
