"""View: what the scripts of the page ask for, as JSON."""

from __future__ import annotations

import math
from typing import Any

from flask import Blueprint, Response, jsonify, request

from watcher.advice.stake import sum_of
from watcher.page import words
from watcher.page.opened import run_or_404, store
from watcher.records import Advice
from watcher.store import KeptFrame

views = Blueprint("data", __name__, url_prefix="/api")

_MOST_OUTLINES = 200


@views.get("/run/<int:run_id>")
def run_data(run_id: int) -> Response:
    """A run from frame ``since`` on: frames, readings by place, changes of advice; all moments.

    While a run is being watched, ask again with the number of the first frame that had no
    ``view`` yet, or one more than the last.
    """
    run = run_or_404(run_id)
    since = _whole("since")
    return jsonify(
        state=run.state,
        state_words=words.state(run.state),
        watching=run.state == "watching",
        started_utc_s=run.started_utc_s,
        layers=run.toolpath.layers if run.toolpath else None,
        frame_size=run.setup.frame_size,
        skipped=run.skipped,
        advice=_advice(run.advice) if run.advice else None,
        frames=[_frame(frame) for frame in store().frames(run_id, since)],
        series=[
            {
                "kind": s.kind,
                "kind_words": words.fault(s.kind),
                "place": s.place,
                "unit": s.unit,
                "numbers": s.numbers,
                "values": s.values,
                "sigmas": s.sigmas,
                "unseen": s.unseen,
            }
            for s in store().series(run_id, since)
        ],
        advice_from=[
            {"number": a.number} | _advice(a.advice) for a in store().advice(run_id, since)
        ],
        moments=[
            {
                "id": m.id,
                "number": m.moment.index,
                "name": m.moment.name,
                "elapsed_s": m.moment.elapsed_s,
                "kind_words": words.fault(m.moment.kind),
                "level": m.moment.level,
                "sentence": m.moment.sentence,
            }
            for m in store().moments(run_id)
        ],
    )


@views.get("/run/<int:run_id>/outlines")
def outlines(run_id: int) -> Response:
    """Lines to draw over frames ``since`` <= number < ``until`` (at most 200), by number."""
    run_or_404(run_id)
    since = _whole("since")
    until = min(_whole("until"), since + _MOST_OUTLINES)
    return jsonify(
        {
            str(number): [
                {"role": o.role, "place": o.place, "points": o.points_px.tolist()} for o in lines
            ]
            for number, lines in store().outlines(run_id, since, until).items()
        }
    )


def _whole(name: str) -> int:
    """A query argument as a number that SQLite can take; anything else counts as 0."""
    text = request.args.get(name, "0")
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 9 else 0


def _frame(frame: KeptFrame) -> dict[str, Any]:
    view = frame.view
    return {
        "number": frame.number,
        "name": frame.name,
        "elapsed_s": frame.elapsed_s,
        "utc_s": frame.utc_s,
        "judged": view is not None,
        "layer": view.layer if view else None,
        "registered": bool(view and view.registered),
        "sigma_px": view.sigma_px if view and math.isfinite(view.sigma_px) else None,
        "reason": view.reason if view else "",
    }


def _advice(advice: Advice) -> dict[str, Any]:
    return {
        "level": advice.level,
        "sentence": words.beside_level(advice),
        "place": advice.place,
        "since_s": advice.since_s,
        "since_words": "" if advice.since_s is None else words.duration(advice.since_s),
        "sure_words": words.how_sure(advice),
        "kind": advice.kind,
        "stake": sum_of(advice.stake) if advice.stake else [],
    }
