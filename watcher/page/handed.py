"""Views: a run to take away as a film, a report in one file, or a table."""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, Protocol, get_args

from flask import (
    Blueprint,
    Response,
    abort,
    current_app,
    jsonify,
    redirect,
    request,
    send_file,
    url_for,
)
from flask.typing import ResponseReturnValue

from watcher.page.opened import asked_by_script, run_or_404
from watcher.store import Run
from watcher.trouble import Trouble

FILMS = "FILMS"
views = Blueprint("handed", __name__)

Document = Literal["report", "csv", "json"]
DOCUMENTS: tuple[Document, ...] = get_args(Document)
_MIMETYPES: dict[Document, str] = {
    "report": "text/html",
    "csv": "text/csv",
    "json": "application/json",
}
PACES = (10, 25, 50)
"""Pictures in a second of film."""
MOST_FILMS = 4
"""More are not kept at a time: each may be a hundred megabytes."""
_NICE = 10


class Exports(Protocol):
    """What makes files of kept runs, as ``export.served.Exports`` does it. Raises ``Trouble``."""

    def document(self, run_id: int, kind: Document) -> bytes: ...
    def film(
        self,
        run_id: int,
        path: Path,
        *,
        per_second: int,
        lines: bool,
        progress: Callable[[int, int], None],
    ) -> str: ...


@dataclass
class FilmJob:
    """One film, as far as it is."""

    path: Path
    pictures: int
    """As many as the run held when it was asked for."""
    done: int = 0
    words: str = ""
    """What became of it."""
    state: Literal["waiting", "making", "ready", "failed"] = "waiting"


class Films:
    """Makes films one after the other, in a thread of low priority, in a folder that goes with
    the program."""

    def __init__(self, exports: Exports) -> None:
        self.exports = exports
        # The folder lasts as long as this object.
        self._folder = tempfile.TemporaryDirectory(prefix="films-")
        self._jobs: dict[int, FilmJob] = {}
        self._lock = threading.Lock()
        self._one = threading.Lock()

    def job(self, run_id: int) -> FilmJob | None:
        """The film of a run, made, being made or waiting to be."""
        with self._lock:
            return self._jobs.get(run_id)

    def ask(self, run: Run, per_second: int, lines: bool) -> None:
        """Begin a film, unless one of this run is under way."""
        with self._lock:
            known = self._jobs.pop(run.id, None)
            if known is not None and known.state in ("waiting", "making"):
                self._jobs[run.id] = known
                return
            self._forget(known)
            ended = [i for i, job in self._jobs.items() if job.state in ("ready", "failed")]
            for old in ended[: max(0, len(self._jobs) - MOST_FILMS + 1)]:
                self._forget(self._jobs.pop(old))
            job = FilmJob(Path(self._folder.name) / f"{run.id}.mp4", run.frames)
            self._jobs[run.id] = job
        threading.Thread(
            target=self._make, args=(job, run.id, per_second, lines), daemon=True
        ).start()

    def _make(self, job: FilmJob, run_id: int, per_second: int, lines: bool) -> None:
        with contextlib.suppress(AttributeError, OSError):
            # On Linux this is the thread's own priority: watching comes first.
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _NICE)

        def progress(done: int, total: int) -> None:
            job.done, job.pictures = done, total

        with self._one:
            job.state = "making"
            try:
                job.words = self.exports.film(
                    run_id, job.path, per_second=per_second, lines=lines, progress=progress
                )
                job.state = "ready"
            except Trouble as trouble:
                job.words, job.state = str(trouble), "failed"
            except Exception:
                job.words = "The film could not be made: a fault of the program."
                job.state = "failed"
                raise

    @staticmethod
    def _forget(job: FilmJob | None) -> None:
        if job is not None:
            job.path.unlink(missing_ok=True)


def films() -> Films | None:
    """What makes films; ``None`` where the page was started without."""
    found: Films | None = current_app.config[FILMS]
    return found


def _films_or_404() -> Films:
    found = films()
    if found is None:
        abort(404)
    return found


def file_name(run: Run, ending: str) -> str:
    """``vent-bracket-left-2025-11-30-run-1.mp4``."""
    words = re.sub(r"[^a-z0-9]+", "-", run.name.lower()).strip("-")[:60].strip("-")
    day = datetime.fromtimestamp(run.started_utc_s, UTC).strftime("%Y-%m-%d")
    return "-".join(part for part in (words, day, f"run-{run.id}") if part) + ending


@views.get("/run/<int:run_id>/file/<kind>")
def document(run_id: int, kind: str) -> Response:
    """A report or table to keep."""
    run = run_or_404(run_id)
    known = next((d for d in DOCUMENTS if d == kind), None)
    if known is None:
        abort(404)
    made = _films_or_404().exports.document(run_id, known)
    response = Response(made, mimetype=_MIMETYPES[known])
    name = file_name(run, ".html" if known == "report" else f".{known}")
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


@views.post("/run/<int:run_id>/film")
def ask(run_id: int) -> ResponseReturnValue:
    """Begin to make the film."""
    run = run_or_404(run_id)
    known = _films_or_404()
    pace = next((p for p in PACES if str(p) == request.form.get("pace", "25")), None)
    if pace is None:
        abort(400, f"Choose one of {', '.join(map(str, PACES))} pictures a second.")
    known.ask(run, pace, request.form.get("lines") == "yes")
    if asked_by_script():
        return jsonify(told(run_id))
    return redirect(url_for("timelapse.one_print", run_id=run_id, _anchor="film"), 303)


@views.get("/api/run/<int:run_id>/film")
def film_state(run_id: int) -> Response:
    """How far the film is."""
    run_or_404(run_id)
    _films_or_404()
    return jsonify(told(run_id))


@views.get("/run/<int:run_id>/film")
def film(run_id: int) -> Response:
    """The film, once it is made."""
    run = run_or_404(run_id)
    job = _films_or_404().job(run_id)
    if job is None or job.state != "ready":
        abort(404)
    return send_file(
        job.path,
        mimetype="video/mp4",
        as_attachment=True,
        download_name=file_name(run, ".mp4"),
        conditional=True,
        max_age=0,
    )


def told(run_id: int) -> dict[str, object]:
    """The film of a run in a form for page and script."""
    known = films()
    job = known.job(run_id) if known else None
    if job is None:
        return {"state": "none", "done": 0, "pictures": 0, "words": ""}
    words = {
        "waiting": "Waiting for another film to be finished.",
        "making": f"Being made: {job.done} of {job.pictures} pictures.",
        "ready": job.words,
        "failed": job.words,
    }[job.state]
    return {"state": job.state, "done": job.done, "pictures": job.pictures, "words": words}
