"""Views and guards of the door: signing in and out, share links, and what each request may do."""

from __future__ import annotations

from flask import (
    Blueprint,
    Flask,
    abort,
    current_app,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from flask.typing import ResponseReturnValue
from flask_wtf.csrf import CSRFProtect
from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

from watcher.page.door import Door, Role

DOOR = "DOOR"
TRIES = "SIGN_IN_TRIES"
LARGEST_FORM = 16 * 1024
TRIES_A_MINUTE = 5
TRIES_OF_ALL_A_MINUTE = 30
SESSION_DAYS = 7

views = Blueprint("access", __name__)
forgery = CSRFProtect()

_OPEN = frozenset(
    {"static", "access.sign_in", "access.shared", "acts.layer", "around.take_conditions"}
)
_CHANGES = frozenset({"POST", "PUT", "PATCH", "DELETE"})


def guard(app: Flask, door: Door) -> None:
    """Put the door in front of every view."""
    app.config.update(
        SECRET_KEY=door.secret,
        SESSION_COOKIE_NAME="watcher",
        SESSION_COOKIE_HTTPONLY=True,
        # Lax, not Strict: a share link that is followed from a chat must find its own cookie.
        SESSION_COOKIE_SAMESITE="Lax",
        PERMANENT_SESSION_LIFETIME=SESSION_DAYS * 24 * 3600,
        MAX_CONTENT_LENGTH=LARGEST_FORM,
        MAX_FORM_MEMORY_SIZE=LARGEST_FORM,
        MAX_FORM_PARTS=20,
        # A bedside page stays open for a night.
        WTF_CSRF_TIME_LIMIT=None,
    )
    app.config[DOOR] = door
    app.config[TRIES] = MovingWindowRateLimiter(MemoryStorage())
    app.register_blueprint(views)
    # Who asks comes before what is asked: a stranger learns nothing from a refused form.
    app.before_request(_check)
    forgery.init_app(app)
    # It is a machine that calls this one, with a key that no browser sends by itself.
    forgery.exempt("watcher.page.acts.layer")
    forgery.exempt("watcher.page.around.take_conditions")
    app.context_processor(lambda: {"may_act": role() == "all", "locked": door.locked})


def role() -> Role | None:
    """What the one who asks may do; ``None``: nothing."""
    if not _door().locked:
        return "all"
    known = session.get("role")
    return known if known in ("all", "look") else None


def _door() -> Door:
    door: Door = current_app.config[DOOR]
    return door


def _check() -> ResponseReturnValue | None:
    if not _door().knows_host(request.host):
        abort(421)
    if request.endpoint in _OPEN:
        return None
    known = role()
    if known is None:
        if request.path.startswith("/api/") or request.method != "GET":
            abort(401)
        return redirect(url_for("access.sign_in", to=request.full_path.rstrip("?")))
    if request.method in _CHANGES and known != "all":
        abort(403)
    return None


@views.route("/sign-in", methods=["GET", "POST"])
def sign_in() -> ResponseReturnValue:
    """Ask for the passphrase; so many tries a minute from one address and from all together."""
    if request.method == "GET":
        return render_template("sign_in.html", to=_inside(request.args.get("to", "")))
    tries: MovingWindowRateLimiter = current_app.config[TRIES]
    one, everyone = (
        RateLimitItemPerMinute(TRIES_A_MINUTE),
        RateLimitItemPerMinute(TRIES_OF_ALL_A_MINUTE),
    )
    to = _inside(request.form.get("to", ""))
    if not tries.hit(one, "one", request.remote_addr or "") or not tries.hit(everyone, "everyone"):
        return _again("Too many tries. Wait a minute.", to, 429)
    if not _door().opens(request.form.get("passphrase", "")):
        return _again("That is not the passphrase.", to, 403)
    session.clear()
    session.permanent = True
    session["role"] = "all"
    return redirect(to, 303)


def _again(sentence: str, to: str, status: int) -> ResponseReturnValue:
    return render_template("sign_in.html", sentence=sentence, to=to), status


@views.post("/sign-out")
def sign_out() -> ResponseReturnValue:
    """Forget who it is."""
    session.clear()
    return redirect(url_for("access.sign_in"), 303)


@views.get("/shared/<token>")
def shared(token: str) -> ResponseReturnValue:
    """Let a second person look."""
    if not _door().lets_look(token):
        abort(404)
    if role() is None:
        session.clear()
        session["role"] = "look"
    return redirect(url_for("prints.all_prints"), 303)


def _inside(path: str) -> str:
    """A path of this page, or its first one: never another site's."""
    safe = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if safe else url_for("prints.all_prints")
