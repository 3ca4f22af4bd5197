"""Views: one picture file, and sheets of many small ones."""

from __future__ import annotations

from flask import Blueprint, Response, abort, send_file, url_for

from watcher.page.opened import store
from watcher.store import GRAINS, Listed, Run

views = Blueprint("pictures", __name__)

_YEAR_S = 365 * 24 * 3600
_MOST_SHEETS = 1_000_000


def picture_version(run: Run | Listed) -> str:
    """Goes into each address, so that a browser never shows a picture kept from another store."""
    return f"{int(run.started_utc_s * 1000):x}"


def picture_address(run: Run, name: str) -> str:
    """Address of a picture of a run."""
    return url_for("pictures.picture", run_id=run.id, name=name, v=picture_version(run))


@views.get("/run/<int:run_id>/picture/<name>")
def picture(run_id: int, name: str) -> Response:
    """The JPEG as it was kept. A kept picture never changes, so browsers may keep it too."""
    path = store().frame_path(run_id, name) if run_id < 2**63 else None
    if path is None:
        abort(404)
    response = send_file(path.absolute(), mimetype="image/jpeg", conditional=True)
    response.headers["Cache-Control"] = f"private, max-age={_YEAR_S}, immutable"
    return response


@views.get("/run/<int:run_id>/sheet/<grain>/<int:number>")
def sheet(run_id: int, grain: str, number: int) -> Response:
    """Small copies of many pictures as one JPEG; the script knows which is where."""
    known = GRAINS.get(grain)
    if known is None or run_id >= 2**63 or number > _MOST_SHEETS:
        abort(404)
    found = store().sheet(run_id, known, number)
    if found is None:
        abort(404)
    response = Response(found.jpeg, mimetype="image/jpeg")
    if found.lasting:
        response.headers["Cache-Control"] = f"private, max-age={_YEAR_S}, immutable"
    return response
