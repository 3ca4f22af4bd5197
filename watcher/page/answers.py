"""View: what a person says of a print."""

from __future__ import annotations

import time
from typing import get_args

from flask import Blueprint, abort, current_app, redirect, request, url_for
from werkzeug.wrappers import Response

from watcher.page.opened import FOLDER, run_or_404
from watcher.records import Answer, FaultKind, Said
from watcher.store import Run, Store

views = Blueprint("answers", __name__)

SAID: tuple[Said, ...] = get_args(Said)
_KINDS: tuple[FaultKind, ...] = get_args(FaultKind)
_LONGEST_PLACE = 200


def answer_to(run: Run, said: Said, utc_s: float, kind: FaultKind | None = None) -> Answer:
    """What was said, about the advice that stands; ``kind`` where the person names another."""
    advice = run.advice
    if advice is None or (kind is not None and kind != advice.kind):
        return Answer(said, utc_s, kind)
    return Answer(said, utc_s, advice.kind, advice.place)


@views.post("/run/<int:run_id>/answer")
def answer(run_id: int) -> Response:
    """Keep an answer. The form names the advice that the person saw, for it may have changed."""
    run = run_or_404(run_id)
    said = next((s for s in SAID if s == request.form.get("said")), None)
    if said is None:
        abort(400, f"Say one of: {', '.join(SAID)}.")
    now = time.time()
    kind = next((k for k in _KINDS if k == request.form.get("kind")), None)
    place = request.form.get("place", "")[:_LONGEST_PLACE]
    kept = Answer(said, now, kind, place) if kind else answer_to(run, said, now)
    with Store.open(current_app.config[FOLDER], write=True) as store:
        store.keep_answer(run_id, kept)
    return redirect(url_for("timelapse.one_print", run_id=run_id), 303)
