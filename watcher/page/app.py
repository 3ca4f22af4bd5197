"""The application factory: views, headers and error pages."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from flask import Flask, Response, current_app, g, jsonify, render_template, request
from flask.typing import ResponseReturnValue
from werkzeug.exceptions import HTTPException

from watcher.page import (
    access,
    acts,
    answers,
    around,
    compared,
    data,
    explained,
    handed,
    labels,
    life,
    pictures,
    prints,
    timelapse,
    words,
)
from watcher.page.door import Door
from watcher.page.opened import FOLDER
from watcher.trouble import BadStore, Trouble

_HEADERS = {
    "Content-Security-Policy": "; ".join(
        [
            "default-src 'none'",
            "script-src 'self'",
            "style-src 'self'",
            "img-src 'self'",
            "connect-src 'self'",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        ]
    ),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


def create_app(
    store_folder: Path,
    *,
    door: Door | None = None,
    hands: acts.Hands | None = None,
    exports: handed.Exports | None = None,
) -> Flask:
    """Make the page over a data folder. Each request opens the store for reading and closes it.

    Without ``door`` nobody has to sign in: for loopback only. Without ``hands`` nothing can be
    stopped, tested or called for; without ``exports`` nothing can be taken away.
    """
    web = Path(str(files("watcher.web")))
    app = Flask(
        "watcher.page",
        template_folder=str(web / "templates"),
        static_folder=str(web / "static"),
    )
    app.config[FOLDER] = store_folder
    app.config[acts.HANDS] = hands
    app.config[handed.FILMS] = None if exports is None else handed.Films(exports)
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.globals["cautions"] = words.CAUTIONS
    for room in (
        *(prints, timelapse, pictures, data, life, acts, answers, explained),
        *(around, compared, labels, handed),
    ):
        app.register_blueprint(room.views)
    access.guard(app, door or Door())
    app.after_request(_add_headers)
    app.teardown_appcontext(_close_store)
    app.register_error_handler(BadStore, _store_trouble)
    app.register_error_handler(Trouble, lambda error: _told("Not done", str(error), 409))
    app.register_error_handler(HTTPException, _http_trouble)
    return app


def _add_headers(response: Response) -> Response:
    for name, value in _HEADERS.items():
        response.headers[name] = value
    if "Cache-Control" not in response.headers:
        response.headers["Cache-Control"] = "no-store"
    return response


def _close_store(_: BaseException | None) -> None:
    store = g.pop("store", None)
    if store is not None:
        store.close()


def _store_trouble(error: BadStore) -> ResponseReturnValue:
    current_app.logger.error("%s", error)
    return _told("The data folder can't be read", str(error), 503)


def _http_trouble(error: HTTPException) -> ResponseReturnValue:
    # A redirect is an answer, too: werkzeug raises it for an address that lacks its slash.
    if error.code is not None and 300 <= error.code < 400:
        return error.get_response()
    if error.code == 404:
        return _told("Nothing here", "There is no such print or picture. Was it deleted?", 404)
    return _told(error.name, error.description or "", error.code or 500)


def _told(title: str, sentence: str, status: int) -> ResponseReturnValue:
    if request.path.startswith("/api/"):
        return jsonify(trouble=sentence), status
    return render_template("trouble.html", title=title, sentence=sentence), status
