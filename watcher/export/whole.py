"""Writes a file whole or not at all."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from watcher.trouble import BadExport


@contextlib.contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Give a file beside ``path`` to write to, and put it in its place if all went well.

    What stood at ``path`` before stays until then, and for good where something went wrong.

    Raises:
        BadExport: where it can't be written.

    """
    beside = path.with_name(f".{path.name}.part")
    try:
        yield beside
        beside.replace(path)
    except OSError as error:
        raise BadExport(
            f"{path} can't be written ({error.strerror}).",
            "See that its folder has room and may be written.",
        ) from error
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
