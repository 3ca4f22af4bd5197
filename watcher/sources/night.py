"""A recorded night: a folder with ``frames.csv`` and ``frames/*.jpg``."""

from __future__ import annotations

import csv
import math
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path

from watcher.sources.jpeg import from_file
from watcher.sources.taken import Missed, Taken
from watcher.trouble import BadNight

SUFFIXES = frozenset({".jpg", ".jpeg"})
COLUMNS = ("file", "elapsed_s")


class NightFolder:
    """Gives the frames in name order, each with its time from ``frames.csv``."""

    def __init__(self, folder: Path, frame_size: tuple[int, int]) -> None:
        """Raise ``BadNight`` where the folder holds no night."""
        self._frames = folder / "frames"
        self._frame_size = frame_size
        names = frame_names(folder)
        rows, remarks = _read_times(folder / "frames.csv")
        absent = sorted(set(rows) - set(names))
        if absent:
            remarks.append(f"frames.csv names {_some(absent)}, but frames/ does not hold it.")
        times, odd = settle_times(names, rows)
        self._items = [(name, times.get(name)) for name in names] + [(n, None) for n in absent]
        self._items.sort()
        self.remarks: tuple[str, ...] = (*remarks, *odd)
        self.total: int | None = len(self._items)

    def pictures(self) -> Iterator[Taken | Missed]:
        for name, elapsed_s in self._items:
            yield self._picture(name, elapsed_s)

    def close(self) -> None:
        """Nothing is held open."""

    def _picture(self, name: str, elapsed_s: float | None) -> Taken | Missed:
        try:
            data = (self._frames / name).read_bytes()
        except FileNotFoundError:
            return Missed(name, "frames/ does not hold it")
        except OSError as error:
            return Missed(name, f"it can't be read ({error.strerror})", elapsed_s)
        if elapsed_s is None:
            return Missed(name, "frames.csv gives no time for it")
        return from_file(name, data, self._frame_size, elapsed_s)


def settle_times(
    names: Sequence[str], rows: Mapping[str, float | None]
) -> tuple[dict[str, float], list[str]]:
    """Give each frame a time in seconds that rises from frame to frame.

    ``names`` are the frames in order, ``rows`` the times as recorded (None where unreadable). The
    largest set of frames whose times rise is believed (a longest increasing subsequence, by
    patience sorting); any other frame between two of them gets its time by linear interpolation
    over the frame count. Frames before the first or after the last get none. Returned with the
    times: sentences on what was mended. Raises ``BadNight`` where fewer than half of the recorded
    times rise.
    """
    recorded = [(n, t) for n, name in enumerate(names) if (t := rows.get(name)) is not None]
    if not recorded:
        raise BadNight(
            "frames.csv has no time for any picture in frames/.",
            "Write a line with file name and elapsed seconds for each.",
        )
    believed = _rising(recorded)
    if 2 * len(believed) < len(recorded):
        raise BadNight(
            f"The times in frames.csv run back and forth: only {len(believed)} of {len(recorded)} "
            "rise in the order of the file names.",
            "Name the frames in the order they were taken, or mend elapsed_s.",
        )
    times = {names[n]: t for n, t in believed}
    mended = []
    for (a, from_s), (b, to_s) in pairwise(believed):
        for n in range(a + 1, b):
            times[names[n]] = from_s + (to_s - from_s) * (n - a) / (b - a)
            mended.append(names[n])
    remarks = []
    if mended:
        remarks.append(
            f"frames.csv has no time, or one that runs backwards, for {_some(mended)}; "
            "it was taken from the frames before and after."
        )
    return times, remarks


def _rising(recorded: Sequence[tuple[int, float]]) -> list[tuple[int, float]]:
    """Longest strictly rising subsequence of the times."""
    ends: list[int] = []  # ends[n]: where the chain of n + 1 frames with the smallest end stops
    before: list[int] = []
    for k, (_, time_s) in enumerate(recorded):
        place = bisect_left(ends, time_s, key=lambda end: recorded[end][1])
        before.append(ends[place - 1] if place else -1)
        ends[place : place + 1] = [k]
    chain = []
    k = ends[-1] if ends else -1
    while k >= 0:
        chain.append(recorded[k])
        k = before[k]
    return chain[::-1]


def frame_names(folder: Path) -> list[str]:
    """Names of the frames in a night's folder, in order. Raises ``BadNight`` where it has none."""
    if not folder.is_dir():
        raise BadNight(f"There is no folder {folder}.", "Name a recorded night's folder.")
    try:
        names = sorted(
            path.name
            for path in (folder / "frames").iterdir()
            if path.suffix.lower() in SUFFIXES and not path.name.startswith(".")
        )
    except (FileNotFoundError, NotADirectoryError):
        raise BadNight(
            f"{folder} is no recorded night: it has no folder frames/.",
            "Put its pictures into frames/ and their times into frames.csv.",
        ) from None
    except OSError as error:
        raise BadNight(
            f"{folder} can't be read ({error.strerror}).", "Check its permissions."
        ) from None
    if not names:
        raise BadNight(f"{folder / 'frames'} holds no JPEG pictures.", "Put the frames there.")
    return names


def _read_times(path: Path) -> tuple[dict[str, float | None], list[str]]:
    """Times by file name, None where unreadable, and sentences on what was odd."""
    rows: dict[str, float | None] = {}
    order: list[str] = []
    twice: set[str] = set()
    unreadable: set[str] = set()
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            lines = csv.DictReader(file)
            if not set(COLUMNS) <= set(lines.fieldnames or ()):
                raise BadNight(
                    "frames.csv does not begin with the line file,elapsed_s.", "Add that line."
                )
            for line in lines:
                name, time_s = (line["file"] or "").strip(), _seconds(line["elapsed_s"])
                if name in rows:
                    twice.add(name)
                    continue
                if time_s is None:
                    unreadable.add(name)
                rows[name] = time_s
                order.append(name)
    except FileNotFoundError:
        raise BadNight(
            f"{path.parent} has no frames.csv.",
            "Write one with a line file,elapsed_s and then a line for each frame.",
        ) from None
    except OSError as error:
        raise BadNight(f"frames.csv can't be read ({error.strerror}).", "Check it.") from None
    except (UnicodeDecodeError, csv.Error):
        raise BadNight(
            "frames.csv is not a table of text.", "Write its lines as file,elapsed_s."
        ) from None
    remarks = []
    if order != sorted(order):
        remarks.append("The lines of frames.csv are out of order; they were sorted by file name.")
    if twice:
        remarks.append(f"frames.csv names {_some(sorted(twice))} twice; the first line was kept.")
    if unreadable:
        remarks.append(f"frames.csv has no readable time for {_some(sorted(unreadable))}.")
    return rows, remarks


def _seconds(text: str | None) -> float | None:
    try:
        value = float(text or "")
    except ValueError:
        return None
    return value if math.isfinite(value) and value >= 0 else None


def _some(names: Sequence[str]) -> str:
    """``a``, ``a and b`` or ``a, b and 7 more``."""
    if len(names) > 3:
        return f"{names[0]}, {names[1]} and {len(names) - 2} more"
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
