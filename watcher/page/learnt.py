"""What kept runs teach, gathered from the store: for the page and the command line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from watcher.after import Month, Spent, by_month
from watcher.before.clock import USUAL_PACE
from watcher.before.filament import per_mm_g, pushed_by
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


@dataclass(frozen=True)
class Printed:
    """How far a run came."""

    used_mm: float
    seconds: float
    rest_mm: float
    """What was not printed any more; 0 where the run went to its end."""
    rest_s: float


def printed(store: Store, run: Run) -> Printed | None:
    """How far the printer came while a run was watched, by time and by its own pace.

    A person's answer that the print was stopped ends it there. A watch that ended during the last
    layer counts as whole. ``None`` where the run's toolpath is not known.
    """
    plan = store.plan(run.id)
    if plan is None or plan.toolpath is None or not plan.toolpath.layers:
        return None
    toolpath = plan.toolpath
    pace = store.ledger.last_notes(run.id).get("pace", USUAL_PACE)
    pace = pace if pace > 0 else USUAL_PACE
    stopped = stopped_s(store, run)
    seconds = run.elapsed_s if stopped is None else stopped
    nominal = seconds / pace
    if stopped is None and nominal >= toolpath.layers[-1].start_s:
        return Printed(toolpath.filament_mm, seconds, 0.0, 0.0)
    used = pushed_by(toolpath, nominal)
    rest_s = max(0.0, toolpath.duration_s * pace - seconds)
    return Printed(used, seconds, toolpath.filament_mm - used, rest_s)


def stopped_s(store: Store, run: Run) -> float | None:
    """Elapsed seconds at which a person said that the print was stopped, if anybody did."""
    said = [k.answer for k in store.answers(run.id) if k.answer.said == "stopped"]
    if not said:
        return None
    return min(max(said[0].utc_s - run.started_utc_s, 0.0), run.elapsed_s)


def is_failed(store: Store, run: Run, job: Job) -> bool:
    """As a person judged the part; else the last answer; else whether the advice was to stop."""
    if job.outcome:
        return job.outcome == "failed"
    answers = store.answers(run.id)
    if answers:
        return answers[-1].answer.said != "still fine"
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
    came = printed(store, run) or Printed(0.0, run.elapsed_s, 0.0, 0.0)
    used = came.used_mm
    spool = spools.get(job.spool_id) if job.spool_id is not None else None
    gram = price = None
    if spool is not None:
        noted = (e for e in store.ledger.spool_events(spool.id) if e.run_id == run.id)
        used = next((e.length_mm for e in noted if e.length_mm is not None), used)
        gram = per_mm_g(spool.diameter_mm, density_of(spool)[0])
        price = None if spool.price_per_kg is None else spool.price_per_kg / 1000
    failed = is_failed(store, run, job)
    # A run that was only no longer watched saved nothing: the printer went on.
    ended = run.state == "left early" or stopped_s(store, run) is not None
    rest_mm, rest_s = (came.rest_mm, came.rest_s) if failed and ended else (0.0, 0.0)
    return Spent(
        month=datetime.fromtimestamp(run.started_utc_s, UTC).astimezone().strftime("%Y-%m"),
        hours=came.seconds / 3600,
        filament_mm=used,
        mass_g=None if gram is None else used * gram,
        money=None if gram is None or price is None else used * gram * price,
        failed=failed,
        saved_hours=rest_s / 3600,
        saved_mm=rest_mm,
        saved_g=None if gram is None else rest_mm * gram,
        saved_money=None if gram is None or price is None else rest_mm * gram * price,
    )
