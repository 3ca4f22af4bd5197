"""Goes through a night up to one picture and draws what was measured in it.

What is measured in a picture rests on the pictures before it, so they are all looked at again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import cv2

from watcher.night import Night
from watcher.overlay.drawn import draw
from watcher.page.words import duration
from watcher.records import Frame, Picture
from watcher.run import Listener
from watcher.sources.jpeg import from_file
from watcher.sources.taken import Missed, Source, Taken
from watcher.store import Store
from watcher.trouble import BadNight, BadStore

SUFFIXES = (".png", ".jpg", ".webp")


class KeptPictures:
    """The pictures of a kept run, as a source."""

    def __init__(self, store: Store, run_id: int) -> None:
        """Raise ``BadStore`` where there is no such run."""
        run = store.run(run_id)
        if run is None:
            raise BadStore(f"No run {run_id} is kept there.", "See watcher runs for their numbers.")
        self.setup = run.setup
        self.remarks: tuple[str, ...] = ()
        self._store, self._run_id = store, run_id
        self._frames = store.frames(run_id)
        self.total: int | None = len(self._frames)

    def pictures(self) -> Iterator[Taken | Missed]:
        for frame in self._frames:
            path = self._store.frame_path(self._run_id, frame.name)
            if path is None:
                yield Missed(frame.name, "its file is gone", frame.elapsed_s)
                continue
            data = path.read_bytes()
            size = self.setup.frame_size
            yield from_file(frame.name, data, size, frame.elapsed_s, frame.utc_s)

    def close(self) -> None:
        """Nothing is held open."""


def draw_frame(
    source: Source, night: Night, wanted: str, close: bool, listeners: Sequence[Listener] = ()
) -> Picture:
    """Draw over one picture what was measured in it.

    Args:
        source: every picture of the night, in order.
        night: a fresh one.
        wanted: file name of the picture, or its number counted from 0.
        close: whether to show only the part and what lies around it.
        listeners: told of every picture on the way.

    Raises:
        BadNight: where the night has no such picture, or it can't be used.

    """
    names: list[str] = []
    index = 0
    for item in source.pictures():
        names.append(item.name)
        asked = wanted in (item.name, item.name.rpartition(".")[0], str(len(names) - 1))
        if isinstance(item, Missed):
            if asked:
                raise BadNight(f"{item.name} can't be used: {item.reason}.", "Ask for another one.")
            for listener in listeners:
                listener.heard_missed(item)
            continue
        frame = Frame(index, item.name, item.elapsed_s, item.bgr, item.utc_s)
        index += 1
        seen = night.see(frame)
        for listener in listeners:
            listener.heard_frame(frame, seen)
        if asked:
            title = f"{frame.name}, layer {seen.view.layer}, {duration(frame.elapsed_s)}"
            return draw(frame.bgr, night.measured(), seen, f"{title} into the print", close)
    first, last = (names[0], names[-1]) if names else ("nothing", "nothing")
    raise BadNight(f"There is no picture {wanted}.", f"It has {first} to {last}.")


def as_file(picture: Picture, suffix: str) -> bytes:
    """The bytes of a picture file of one of ``SUFFIXES``."""
    quality = [cv2.IMWRITE_JPEG_QUALITY, 88, cv2.IMWRITE_WEBP_QUALITY, 80]
    return cv2.imencode(suffix.lower(), picture, quality)[1].tobytes()
