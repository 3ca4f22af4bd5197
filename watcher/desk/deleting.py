"""``watcher delete``: runs out of sight, and back again while they are still there."""

from __future__ import annotations

from pathlib import Path

import click

from watcher.page.words import room
from watcher.store import REMOVED_AFTER_S, Run, Store
from watcher.trouble import BadFacts
from watcher.typed import data_option

_DAYS = round(REMOVED_AFTER_S / 86400)


@click.command()
@click.argument(
    "run_ids", metavar="RUN...", type=click.IntRange(1, 2**63 - 1), nargs=-1, required=True
)
@click.option("--undo", is_flag=True, help="Bring deleted runs back.")
@data_option
def delete(run_ids: tuple[int, ...], undo: bool, data: Path) -> None:
    """Delete runs, with a week to change your mind.

    A deleted run is in no list and no sum any more. A week later it is removed for good with its
    pictures. A run that is being watched can't be deleted.

    \b
    Examples:
      watcher delete 3 4
      watcher delete --undo 4
    """
    # Opened for reading first: a mistyped folder must not come to be by it.
    with Store.open(data, write=False) as store:
        for run_id in run_ids:
            _checked(store, run_id, undo)
    with Store.open(data, write=True) as store:
        for gone in store.shelf.removed:
            click.echo(
                f"Removed for good: run {gone.run_id}, {gone.name}; {room(gone.freed)} are free."
            )
        # All or nothing: what is wrong with one is told before another is touched.
        runs = [_checked(store, run_id, undo) for run_id in dict.fromkeys(run_ids)]
        if undo:
            store.shelf.bring_back(run_ids)
        else:
            store.shelf.delete(run_ids)
        for run in runs:
            if undo:
                click.echo(f"Run {run.id}, {run.name}, is back.")
            else:
                size = room(store.shelf.bytes_of(run.id))
                click.echo(
                    f"Run {run.id}, {run.name}, is deleted; its {size} are freed in {_DAYS} days. "
                    f"To bring it back: watcher delete --undo {run.id}"
                )


def _checked(store: Store, run_id: int, undo: bool) -> Run:
    run = store.run(run_id)
    if run is None:
        raise BadFacts(f"There is no run {run_id}.", "See watcher runs.")
    if undo and run.deleted_utc_s is None:
        raise BadFacts(f"Run {run_id} is not deleted.", "See watcher runs --deleted.")
    if not undo and run.deleted_utc_s is not None:
        raise BadFacts(f"Run {run_id} is deleted already.", "See watcher runs --deleted.")
    if run.state == "watching":
        raise BadFacts(f"Run {run_id} is being watched.", "End the watch first.")
    return run
