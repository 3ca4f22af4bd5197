"""The application factory: views, headers and error pages."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from flask import Flask, Response, current_app, g, jsonify, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.csrf import CSRFError
from werkzeug.exceptions import HTTPException

from watcher.page import (
    access,
    acts,
    aim,
    answers,
    around,
    compared,
    data,
    explained,
    handed,
    labels,
    life,
    night_view,
    pictures,
    prints,
    small,
    timelapse,
    ways,
    words,
)
from watcher.page.door import Door
from watcher.page.opened import FOLDER
from watcher.page.table import Table
from watcher.trouble import BadStore, Trouble

_HEADERS = {
    "Content-Security-Policy": "; ".join(
        [
            "default-src 'none'",
            "script-src 'self'",
            "style-src 'self'",
            "img-src 'self'",
            "connect-src 'self'",
            "manifest-src 'self'",
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
    eyes: aim.Eyes | None = None,
) -> Flask:
    """Make the page over a data folder. Each request opens the store for reading and closes it.

    Without ``door`` nobody has to sign in: for loopback only. Without ``hands`` nothing can be
    stopped, tested or called for; without ``eyes`` no camera is looked through; without ``exports``
    nothing can be taken away.
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
    app.config[aim.EYES] = eyes
    app.config[aim.TABLE] = Table()
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.globals["cautions"] = words.CAUTIONS
    for room in (
        *(prints, timelapse, pictures, data, life, acts, answers, explained),
        *(around, compared, aim, small, night_view, labels, handed),
    ):
        app.register_blueprint(room.views)
    access.guard(app, door or Door())
    ways.offer(app)
    app.after_request(_add_headers)
    app.teardown_appcontext(_close_store)
    app.register_error_handler(BadStore, _store_trouble)
    app.register_error_handler(Trouble, lambda error: _told("Not done", str(error), 409))
    app.register_error_handler(CSRFError, _forged)
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
    return _told("The data folder can’t be read", str(error), 503)


def _forged(_: CSRFError) -> ResponseReturnValue:
    return _told(
        "Not done",
        "The page that this came from is too old or not ours; the program may have been started "
        "anew since. Load it again, then press once more.",
        400,
    )


def _http_trouble(error: HTTPException) -> ResponseReturnValue:
    # A redirect is an answer, too: werkzeug raises it for an address that lacks its slash.
    if error.code is not None and 300 <= error.code < 400:
        return error.get_response()
    code = error.code or 500
    if code == 421:
        # Of some host names no address of this page can be made, so there is no page to send.
        return Response(f"{_MISDIRECTED}\n", 421, mimetype="text/plain")
    title, sentence = _WORDS.get(code, (error.name, ""))
    # What a view said itself goes before the usual words of its code.
    own = error.description if error.description != type(error).description else ""
    return _told(title, own or sentence or error.description or "", code)


_MISDIRECTED = (
    "This page is not to be asked for by that host name. Use the machine's number, or start "
    "watcher with that name as its --host."
)
_WORDS = {
    400: ("Not understood", "Something in the address or the form makes no sense here."),
    401: ("Sign in first", "Nothing was changed: you are not signed in, or no longer."),
    403: ("Not yours to do", "With a share link you may look, but not act. Nothing was changed."),
    404: ("Nothing here", "There is no such print or picture. Was it deleted?"),
    405: ("Not this way", "This address answers to a button, not to a link. Nothing was changed."),
    413: ("Too much at once", "What was sent is longer than anything this page takes."),
    500: (
        "Something broke here",
        "This view could not be made; what was kept is safe, and a watch goes on without the "
        "page. The terminal in which watcher runs says more.",
    ),
}


def _told(title: str, sentence: str, status: int) -> ResponseReturnValue:
    if request.path.startswith("/api/"):
        return jsonify(trouble=sentence), status
    out = []
    if status == 401:
        out.append(("Sign in", url_for("access.sign_in", to=_seen_before())))
    elif status >= 500 and request.method == "GET":
        out.append(("Try again", request.full_path.rstrip("?")))
    elif status in (400, 409) and request.method != "GET":
        out.append(("Back to where you were", _seen_before()))
    if access.role() is not None:
        out.append(("Watched prints", url_for("prints.all_prints")))
    return (
        render_template("trouble.html", title=title, sentence=sentence, status=status, out=out),
        status,
    )


def _seen_before() -> str:
    """The view that belongs to the address of a form, as far as there is one."""
    run_id = (request.view_args or {}).get("run_id")
    if run_id is None:
        return url_for("prints.all_prints")
    return url_for("timelapse.one_print", run_id=run_id)
