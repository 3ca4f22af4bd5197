"""Writes a file whole or not at all."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Give a file beside ``path`` to write to, and put it in its place if all went well.

    What stood at ``path`` before stays until then, and for good where something went wrong.
    """
    beside = path.with_name(f".{path.name}.part")
    try:
        yield beside
        beside.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise
