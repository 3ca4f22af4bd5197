"""Follows a CSV file that another program is writing."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path

_CHUNK = 1 << 20
_LONGEST_LINE = 1 << 16


@dataclass
class Tail:
    """Gives the whole lines that were added since the last look.

    A line without its end is left for the next look. A file that was cut short or put in another's
    place is read from its beginning; copies of what was read before are the reader's to drop.
    """

    path: Path
    _offset: int = 0
    _inode: int = 0
    _rest: bytes = b""
    _header: list[str] = field(default_factory=list)

    def rows(self) -> list[tuple[str, dict[str, str] | None]]:
        """Each new line as it stands and its cells by the header's names, ``None`` where they are
        not as many as the header's. Empty while there is no file."""
        try:
            with self.path.open("rb") as file:
                status = self.path.stat()
                if status.st_ino != self._inode or status.st_size < self._offset:
                    self._inode, self._offset, self._rest, self._header = status.st_ino, 0, b"", []
                file.seek(self._offset)
                added = file.read(_CHUNK)
        except OSError:
            return []
        self._offset += len(added)
        whole, end, rest = (self._rest + added).rpartition(b"\n")
        if len(rest) > _LONGEST_LINE:
            # No reading is so long: give it out as a line that can't be read.
            whole, end, rest = whole + end + rest, b"\n", b""
        self._rest = rest
        if not end:
            return []
        found: list[tuple[str, dict[str, str] | None]] = []
        for line in whole.decode("utf-8-sig", "replace").splitlines():
            if not line.strip():
                continue
            cells = next(csv.reader([line]))
            if not self._header:
                self._header = [cell.strip() for cell in cells]
                continue
            fits = len(cells) == len(self._header)
            row = dict(zip(self._header, cells, strict=True)) if fits else None
            found.append((line, row))
        return found
