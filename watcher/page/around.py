"""Views: the list before a print, what failures cost, and the surroundings of a run."""

from __future__ import annotations

import calendar
import hmac
import time
from pathlib import Path

from flask import Blueprint, Response, abort, current_app, jsonify, render_template, request
from flask.typing import ResponseReturnValue

from watcher.before.spool import dried_at, stock_of
from watcher.conditions import BadReading, read_json
from watcher.conditions.reading import LONGEST
from watcher.page.learnt import months
from watcher.page.opened import FOLDER, run_or_404, store
from watcher.store import Store, Unread, What
from watcher.trouble import BadFacts

views = Blueprint("around", __name__)

KEY_FILE = "conditions.key"
"""In the data folder; ``watcher chamber --key`` makes it."""

_NAMES: dict[What, tuple[str, str]] = {
    "chamber_c": ("chamber", "°C"),
    "humidity_percent": ("humidity", "%"),
}


@views.get("/before")
def before() -> str:
    """The newest list, made by ``watcher before``."""
    newest = store().ledger.newest_sheet()
    return render_template(
        "before.html",
        sheet=newest[1] if newest else None,
        made_utc_s=newest[0] if newest else None,
    )


@views.get("/cost")
def cost() -> str:
    """Each month's sums, and what is left on the spools."""
    ledger = store().ledger
    spools = []
    for spool in ledger.spools():
        events = ledger.spool_events(spool.id)
        try:
            stock = stock_of(spool, events)
            left = f"{stock.length_mm / 1000:.1f} ± {stock.sigma_mm / 1000:.1f} m"
        except BadFacts as bad:
            left = str(bad)
        spools.append((spool, left, dried_at(events)))
    return render_template("cost.html", months=months(store()), spools=spools, last_day=_last_day)


def _last_day(month: str) -> str:
    """``2026-11-30`` of ``2026-11``."""
    year, number = map(int, month.split("-"))
    return f"{month}-{calendar.monthrange(year, number)[1]:02}"


@views.post("/conditions")
def take_conditions() -> ResponseReturnValue:
    """A sensor's readings, a JSON object, with the key of ``watcher chamber --key`` in the
    Authorization header: a browser never sends that by itself, so a foreign page can't.

    What can't be read is kept as it came and answered with 422 and the reason.
    """
    scheme, _, key = request.headers.get("Authorization", "").partition(" ")
    known = _key()
    if (
        not known
        or scheme.lower() != "bearer"
        or not hmac.compare_digest(key.encode(), known.encode())
    ):
        abort(403)
    text = request.get_data(cache=False, as_text=False)[: LONGEST + 1].decode("utf-8", "replace")
    came = time.time()
    with Store.open(current_app.config[FOLDER], write=True) as opened:
        try:
            opened.ledger.keep_conditions(read_json(text, "", "http", came), came)
        except BadReading as bad:
            opened.ledger.keep_unread(Unread(came, "http", text[:LONGEST], str(bad)))
            return jsonify(trouble=str(bad)), 422
    return "", 204


def _key() -> str:
    path = Path(current_app.config[FOLDER]) / KEY_FILE
    return path.read_text(encoding="ascii").strip() if path.is_file() else ""


@views.get("/api/run/<int:run_id>/conditions")
def conditions(run_id: int) -> Response:
    """Chamber and humidity while a run went on, by seconds since it began."""
    run = run_or_404(run_id)
    frames = store().frames(run_id)
    begin = run.started_utc_s
    first = frames[0].elapsed_s if frames else 0.0
    if frames and frames[0].utc_s is not None:
        # A carried-on run's clock goes on, so its pictures tell its time better than its start.
        begin = frames[0].utc_s - first
    last = run.elapsed_s
    readings = store().ledger.conditions(begin + first, begin + last, run.watch or None)
    return jsonify(
        first_s=first,
        last_s=last,
        series=[
            {
                "name": name,
                "unit": unit,
                "points": [
                    [round(r.utc_s - begin, 1), r.value] for r in readings if r.what == what
                ],
            }
            for what, (name, unit) in _NAMES.items()
            if any(r.what == what for r in readings)
        ],
    )
