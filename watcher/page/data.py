"""View: what the scripts of the page ask for, as JSON."""

from __future__ import annotations

import gzip
from typing import Any

from flask import Blueprint, Response, jsonify, request

from watcher.advice.stake import sum_of
from watcher.page import words
from watcher.page.opened import run_or_404, store
from watcher.records import Advice
from watcher.store import GRAINS, ReelFrame

views = Blueprint("data", __name__, url_prefix="/api")

_MOST_OUTLINES = 200


@views.get("/run/<int:run_id>")
def run_data(run_id: int) -> Response:
    """A run from frame ``since`` on: frames, readings by place, changes of advice; all moments.

    Frames whose pictures were deleted for want of room are there too, marked as ``gone``. While a
    run is being watched, ask again with the number of the first frame that was not ``judged`` yet,
    or one more than the last.
    """
    run = run_or_404(run_id)
    since = _whole("since")
    answer = jsonify(
        name=run.name,
        state=run.state,
        state_words=words.state(run.state),
        watching=run.state == "watching",
        started_utc_s=run.started_utc_s,
        layers=run.toolpath.layers if run.toolpath else None,
        frame_size=run.setup.frame_size,
        skipped=run.skipped,
        advice=_advice(run.advice) if run.advice else None,
        sheets={
            name: {
                "step": grain.step,
                "columns": grain.columns,
                "rows": grain.rows,
                "size": grain.cell(run.setup.frame_size),
            }
            for name, grain in GRAINS.items()
        },
        frames=[_frame(frame) for frame in store().reel(run_id, since)],
        series=[
            {
                "kind": s.kind,
                "kind_words": words.fault(s.kind),
                "place": s.place,
                "unit": s.unit,
                "numbers": s.numbers,
                "values": [_short(value) for value in s.values],
                "sigmas": [_short(sigma) for sigma in s.sigmas],
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
                "noticed": m.noticed,
                "truth": m.truth,
                "cause": m.cause,
                "name": m.moment.name,
                "elapsed_s": m.moment.elapsed_s,
                "kind_words": words.fault(m.moment.kind),
                "level": m.moment.level,
                "sentence": m.moment.sentence,
            }
            for m in store().moments(run_id)
        ],
    )
    return _packed(answer)


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


def _short(value: float | None) -> float | None:
    """Four decimals are more than any measurement here has."""
    return None if value is None else round(value, 4)


def _packed(answer: Response) -> Response:
    """A night is more than a megabyte of text; a phone far from the router waits for it."""
    if not request.accept_encodings["gzip"]:
        return answer
    answer.set_data(gzip.compress(answer.get_data(), compresslevel=1, mtime=0))
    answer.content_encoding = "gzip"
    answer.vary.add("Accept-Encoding")
    return answer


def _frame(frame: ReelFrame) -> dict[str, Any]:
    return {
        "number": frame.number,
        "name": frame.name,
        "elapsed_s": frame.elapsed_s,
        "utc_s": frame.utc_s,
        "gone": frame.thinned,
        "judged": frame.layer is not None,
        "layer": frame.layer,
        "registered": frame.registered,
        "sigma_px": frame.sigma_px,
        "reason": frame.reason,
        "bed_mm": frame.bed_offset_mm,
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
