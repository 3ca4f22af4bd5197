"""What kept runs teach, gathered from the store: for the page and the command line."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from watcher.after import Month, Spent, by_month
from watcher.after.cost import used_share
from watcher.before.clock import USUAL_PACE
from watcher.before.filament import per_mm_g
from watcher.before.spool import density_of
from watcher.store import Job, Run, Spool, Store


def settings_with_notes(job: Job, spools: Mapping[int, str]) -> dict[str, str]:
    """A run's settings with what a person wrote down about it, to be compared alike."""
    said = {
        "material": job.material,
        "spool": spools.get(job.spool_id, "") if job.spool_id is not None else "",
        "drying": job.drying,
        "bed preparation": job.bed,
    }
    return dict(job.settings) | {key: value for key, value in said.items() if value}


def _pace(notes: Mapping[str, float]) -> float:
    pace = notes.get("pace", USUAL_PACE)
    return pace if pace > 0 else USUAL_PACE


def _printed(run: Run, notes: Mapping[str, float]) -> float:
    """Share of the print that was made when its watching ended."""
    assert run.toolpath is not None
    return used_share(run.elapsed_s, run.toolpath.duration_s, _pace(notes), False)


def used_mm(run: Run, notes: Mapping[str, float]) -> float:
    """Filament that a run took, by the time that it was watched; 0 where its toolpath isn't known.

    ``notes`` are those of its newest frame. A watch that ended in the last tenth counts as whole.
    """
    if run.toolpath is None:
        return 0.0
    share = _printed(run, notes)
    return run.toolpath.filament_mm * (1.0 if share > 0.9 else share)


def is_failed(run: Run, job: Job) -> bool:
    """As a person said, or else whether the advice was to stop."""
    if job.outcome:
        return job.outcome == "failed"
    return run.advice is not None and run.advice.level == "stop"


def months(store: Store) -> list[Month]:
    """Every month's sums, the newest first."""
    jobs = store.ledger.jobs()
    spools = {spool.id: spool for spool in store.ledger.spools()}
    return by_month(
        _spent(store, run, jobs.get(run.id, Job(run.id)), spools)
        for run in store.runs()
        if run.state != "watching"
    )


def _spent(store: Store, run: Run, job: Job, spools: Mapping[int, Spool]) -> Spent:
    notes = store.ledger.last_notes(run.id)
    used = used_mm(run, notes)
    spool = spools.get(job.spool_id) if job.spool_id is not None else None
    if spool is not None:
        used = next(
            (
                e.length_mm
                for e in store.ledger.spool_events(spool.id)
                if e.run_id == run.id and e.length_mm is not None
            ),
            used,
        )
    gram = None if spool is None else per_mm_g(spool.diameter_mm, density_of(spool)[0])
    price = None if spool is None or spool.price_per_kg is None else spool.price_per_kg / 1000
    failed = is_failed(run, job)
    early = failed and run.state == "left early" and run.toolpath is not None
    saved_mm = saved_s = 0.0
    if early and run.toolpath is not None:
        saved_mm = max(0.0, run.toolpath.filament_mm - used)
        saved_s = max(0.0, run.toolpath.duration_s * _pace(notes) - run.elapsed_s)
    return Spent(
        month=datetime.fromtimestamp(run.started_utc_s, UTC).astimezone().strftime("%Y-%m"),
        hours=run.elapsed_s / 3600,
        filament_mm=used,
        mass_g=None if gram is None else used * gram,
        money=None if gram is None or price is None else used * gram * price,
        failed=failed,
        saved_hours=saved_s / 3600,
        saved_mm=saved_mm,
        saved_g=None if gram is None else saved_mm * gram,
        saved_money=None if gram is None or price is None else saved_mm * gram * price,
    )
