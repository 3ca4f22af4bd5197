"""Writes a set-up: the file whole or not at all, the old one beside it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from watcher.records import Setup
from watcher.settings import setup_text
from watcher.store import disk
from watcher.trouble import Trouble


def keep(file: Path, setup: Setup) -> None:
    """Write the file whole, the old one beside it. Raises ``Trouble``."""
    text = setup_text(setup).encode()
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        mode = 0o644
        if file.exists():
            before = file.read_bytes()
            if before == text:
                return
            mode = file.stat().st_mode & 0o777
            old = _beside(file)
            disk.write_file(old, before)
            old.chmod(mode)
        disk.write_file(file, text)
        file.chmod(mode)
    except OSError as error:
        raise Trouble(
            f"{file} can't be written ({error.strerror}).",
            "Make its folder writable for the watcher; nothing was changed.",
        ) from None


def _beside(file: Path) -> Path:
    """A free name beside a file that says when it was replaced."""
    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S")
    count = 1
    while True:
        again = "" if count == 1 else f"-{count}"
        path = file.with_name(f"{file.stem}.until-{stamp}{again}{file.suffix}")
        if not path.exists():
            return path
        count += 1
