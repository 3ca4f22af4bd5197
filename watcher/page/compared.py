"""View: two runs side by side by layer, or a series against its outcomes."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Response, abort, jsonify, render_template, request

from watcher.after import by_layer, changes, effect, step_through, suggest, varying
from watcher.page import words
from watcher.page.learnt import settings_with_notes
from watcher.page.opened import run_or_404, store
from watcher.page.pictures import picture_version
from watcher.store import Run

views = Blueprint("compared", __name__)

MOST_RUNS = 200
OFFERED = 40
"""So many of the newest runs can be chosen before all are asked for."""


@views.get("/compare")
def compare() -> str:
    """What changed between the chosen runs; nothing chosen gives the choice alone."""
    chosen = _chosen()
    ledger = store().ledger
    spools = {spool.id: spool.name for spool in ledger.spools()}
    jobs = [ledger.job(run.id) for run in chosen]
    settings = [settings_with_notes(job, spools) for job in jobs]
    found = changes(settings[0], settings[1]) if len(chosen) == 2 else None
    idea = None
    if found is not None:
        advice = chosen[1].advice
        if advice is not None and advice.kind is not None and jobs[1].outcome != "good":
            tried = [c.key for c in found.settings] if jobs[0].outcome == "failed" else []
            idea = suggest(advice.kind, settings[1], tried)
    effects = []
    judged = [n for n, job in enumerate(jobs) if job.outcome]
    if len(chosen) > 2:
        failed = [jobs[n].outcome == "failed" for n in judged]
        different = varying([settings[n] for n in judged]) if judged else {}
        effects = [
            effect(key, values, failed, len(different) - 1) for key, values in different.items()
        ]
    listed = store().shelf.listed()
    offered = listed if request.args.get("all") == "1" else listed[:OFFERED]
    return render_template(
        "compare.html",
        runs=offered,
        left_out=len(listed) - len(offered),
        state=words.state,
        chosen=chosen,
        chosen_ids=[run.id for run in chosen],
        jobs=jobs,
        found=found,
        idea=idea,
        effects=effects,
        unjudged=len(chosen) - len(judged),
    )


@views.get("/api/compare")
def compare_data() -> Response:
    """Two runs by layer: their curves, and for each layer the picture of each to show."""
    chosen = _chosen()
    if len(chosen) != 2:
        abort(400, "Choose two runs.")
    layers: list[dict[int, int]] = []
    names: list[dict[int, str]] = []
    for run in chosen:
        frames = store().frames(run.id)
        # What could not be placed still has the layer that the clock gives.
        layers.append({f.number: f.view.layer for f in frames if f.view is not None})
        names.append({f.number: f.name for f in frames})
    return jsonify(
        steps=[
            {
                "layer": layer,
                "pictures": [None if n is None else names[k][n] for k, n in enumerate(numbers)],
            }
            for layer, *numbers in step_through(layers[0], layers[1])
        ],
        runs=[_curves(run, layers[k]) for k, run in enumerate(chosen)],
    )


def _curves(run: Run, layer_of: dict[int, int]) -> dict[str, Any]:
    return {
        "id": run.id,
        "name": run.name,
        "version": picture_version(run),
        "series": [
            {
                "place": s.place,
                "points": [
                    [p.layer, round(p.value, 3), round(p.sigma, 3)]
                    for p in by_layer(s.numbers, s.values, s.sigmas, layer_of)
                ],
            }
            for s in store().series(run.id)
            if s.unit == "mm" and s.kind in ("corner-lift", "overhang-curl")
        ],
    }


def _chosen() -> list[Run]:
    """The runs that the query names, each once, in its order."""
    numbers = [text for text in request.args.getlist("run") if text.isascii() and text.isdigit()]
    return [run_or_404(int(n)) for n in list(dict.fromkeys(numbers))[:MOST_RUNS] if len(n) <= 18]
