"""View: the list of watched prints."""

from __future__ import annotations

import time

from flask import Blueprint, current_app, render_template

from watcher.page.life import described
from watcher.page.opened import FOLDER, store
from watcher.page.pictures import picture_address
from watcher.page.words import beside_level, in_words

views = Blueprint("prints", __name__)


@views.get("/")
def all_prints() -> str:
    """Every run, the newest first."""
    runs = store().runs()
    return render_template(
        "prints.html",
        folder=current_app.config[FOLDER],
        watches=[described(sign, time.time()) for sign in store().book.signs()],
        watching=any(run.state == "watching" for run in runs),
        prints=[
            {
                "run": run,
                "words": in_words(run),
                "sentence": beside_level(run.advice) if run.advice else in_words(run).outcome,
                "picture": picture_address(run, run.newest_frame) if run.newest_frame else None,
            }
            for run in runs
        ],
    )
