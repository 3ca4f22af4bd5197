"""View: a kept picture made small, for lists."""

from __future__ import annotations

import io
from pathlib import Path

from flask import Blueprint, Response, abort, url_for
from PIL import Image

from watcher.page.opened import store

views = Blueprint("small", __name__)

WIDTHS = (240, 480)
"""Pixels; few, so that a browser keeps what it has got."""
_QUALITY = 78
_TALLEST = 4096
_YEAR_S = 365 * 24 * 3600


def small_addresses(run_id: int, name: str, version: str) -> str:
    """What an ``img`` puts into ``srcset``."""
    return ", ".join(
        f"{url_for('small.small', run_id=run_id, name=name, width=width, v=version)} {width}w"
        for width in WIDTHS
    )


@views.get("/run/<int:run_id>/picture/<name>/<int:width>")
def small(run_id: int, name: str, width: int) -> Response:
    """The picture as a JPEG of about this width, never enlarged."""
    if width not in WIDTHS:
        abort(404)
    path = store().frame_path(run_id, name) if run_id < 2**63 else None
    jpeg = None if path is None else made_small(path, width)
    if jpeg is None:
        abort(404)
    response = Response(jpeg, mimetype="image/jpeg")
    response.headers["Cache-Control"] = f"private, max-age={_YEAR_S}, immutable"
    return response


def made_small(path: Path, width: int) -> bytes | None:
    """A smaller JPEG of a picture file; ``None`` where the file is gone or broken.

    Of a JPEG only as many coefficients of each block are decoded as the smaller picture can show.
    """
    made = io.BytesIO()
    try:
        with Image.open(path) as picture:
            picture.thumbnail((width, _TALLEST), Image.Resampling.BILINEAR, reducing_gap=1.5)
            picture.convert("RGB").save(made, "JPEG", quality=_QUALITY)
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        return None
    return made.getvalue()
