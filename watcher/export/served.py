"""Makes exports for the page, which is not to know how."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from watcher.page.handed import Document
from watcher.store import Store
from watcher.trouble import BadExport

_SOME = 5


class Exports:
    """Files of the runs in one data folder. Each call opens the store for itself, so any thread
    may call. Raises ``BadExport`` and ``BadStore``."""

    def __init__(self, data: Path) -> None:
        self._data = data

    def document(self, run_id: int, kind: Document) -> bytes:
        """A report in one HTML file, or the measurements as a table."""
        from watcher.export.kept_run import read_run  # noqa: PLC0415
        from watcher.export.report import report_of  # noqa: PLC0415
        from watcher.export.tables import csv_of, json_of  # noqa: PLC0415

        makers = {"report": report_of, "csv": csv_of, "json": json_of}
        with Store.open(self._data, write=False) as store:
            return makers[kind](store, read_run(store, run_id), lambda done, total: None)

    def film(
        self,
        run_id: int,
        path: Path,
        *,
        per_second: int,
        lines: bool,
        progress: Callable[[int, int], None],
    ) -> str:
        """Write the time-lapse as an MP4 film and say in words what it is."""
        # Late, because it brings the encoder, which a page without films can do without.
        from watcher.export.film import write_film  # noqa: PLC0415
        from watcher.export.kept_run import read_run  # noqa: PLC0415

        with Store.open(self._data, write=False) as store:
            film = write_film(
                path,
                store,
                read_run(store, run_id),
                per_second=per_second,
                lines=lines,
                progress=progress,
            )
        try:
            size = path.stat().st_size / 1e6
        except OSError as error:
            raise BadExport(
                f"The film is gone ({error.strerror}).", "Make it again, with room on the disk."
            ) from error
        said = f"{film.seconds:.0f} s, {size:.1f} MB."
        if film.left_out:
            names = ", ".join(film.left_out[:_SOME]) + (
                " and more" if len(film.left_out) > _SOME else ""
            )
            said += f" {len(film.left_out)} pictures can't be read and were left out: {names}."
        return said
