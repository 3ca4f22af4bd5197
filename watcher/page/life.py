"""View: whether the watches live, and what nobody has answered yet."""

from __future__ import annotations

import time
from typing import Any

from flask import Blueprint, Response, jsonify, url_for

from watcher.alarms.concern import from_advice
from watcher.page.opened import store
from watcher.page.words import duration
from watcher.records import Advice
from watcher.store import Sign, Store

views = Blueprint("life", __name__)

FORGOTTEN_AFTER_S = 12 * 3600
"""A watch that died longer ago is told, but no alarm is sounded for it any more."""


@views.get("/api/life")
def life() -> Response:
    """The watches with their last signs of life, and each unanswered advice to stop."""
    now_s = time.time()
    return jsonify(
        utc_s=now_s,
        watches=[described(sign, now_s) for sign in store().book.signs()],
        stops=[
            {
                "run": run_id,
                "sentence": advice.sentence,
                "address": url_for("acts.beside", run_id=run_id),
            }
            for run_id, advice in unanswered(store())
        ],
    )


def described(sign: Sign, now_s: float) -> dict[str, Any]:
    """One watch, for the page and its script."""
    age_s = sign.age_s if sign.age_s is not None else max(0.0, now_s - sign.utc_s)
    if not sign.fresh:
        words = f"no sign of life for {duration(age_s)}: it has died or hangs"
    else:
        words = sign.trouble or "watching"
    return {
        "name": sign.watch,
        "run": sign.run_id,
        "fresh": sign.fresh,
        "words": words,
        "loud": (not sign.fresh and age_s < FORGOTTEN_AFTER_S) or bool(sign.trouble),
    }


def unanswered(opened: Store) -> list[tuple[int, Advice]]:
    """Runs being watched with an advice to stop that nobody has answered."""
    found = []
    for sign in opened.book.signs():
        run = None if sign.run_id is None else opened.run(sign.run_id)
        if run is None or run.advice is None or run.advice.level != "stop":
            continue
        if run.ended_utc_s is None and not is_answered(opened, run.id, run.advice):
            found.append((run.id, run.advice))
    return found


def is_answered(opened: Store, run_id: int, advice: Advice) -> bool:
    """Whether a person has answered since the alarm for this advice was raised."""
    concern = from_advice(advice)
    raised = opened.book.raised(run_id).get(concern.key) if concern else None
    return raised is not None and opened.book.answered_at(run_id) != raised.answer_before
