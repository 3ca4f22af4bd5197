"""Views: the list before a print, what failures cost, and the surroundings of a run."""

from __future__ import annotations

from datetime import UTC, datetime

from flask import Blueprint, Response, jsonify, render_template

from watcher.before.spool import dried_at, stock_of
from watcher.page.learnt import months
from watcher.page.opened import run_or_404, store
from watcher.store import What
from watcher.trouble import BadFacts

views = Blueprint("around", __name__)

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
        made=datetime.fromtimestamp(newest[0], UTC).strftime("%Y-%m-%dT%H:%MZ") if newest else "",
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
        dried = dried_at(events)
        spools.append(
            (
                spool,
                left,
                ""
                if dried is None
                else datetime.fromtimestamp(dried, UTC).strftime("%Y-%m-%d %H:%M UTC"),
            )
        )
    return render_template("cost.html", months=months(store()), spools=spools)


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
    readings = store().ledger.conditions(begin + first, begin + last)
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
