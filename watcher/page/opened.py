"""The store of the current request, and who asks."""

from __future__ import annotations

from flask import abort, current_app, g, request

from watcher.store import Run, Store

FOLDER = "STORE_FOLDER"


def store() -> Store:
    """The store, opened for reading at its first use in a request. Raises ``BadStore``."""
    if "store" not in g:
        g.store = Store.open(current_app.config[FOLDER], write=False)
    opened: Store = g.store
    return opened


def run_or_404(run_id: int) -> Run:
    """The run, or the error page where there is none."""
    run = store().run(run_id) if run_id < 2**63 else None
    if run is None:
        abort(404)
    return run


def asked_by_script() -> bool:
    """Whether a script asked, which wants JSON, and not a form, which wants a page."""
    return request.accept_mimetypes.best == "application/json"
