"""What kept runs teach, gathered from the store: for the page and the command line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from watcher.after import Month, Spent, by_month
from watcher.before.clock import USUAL_PACE
from watcher.before.filament import per_mm_g, pushed_by
from watcher.before.spool import density_of
from watcher.records import Prices, Toolpath
from watcher.store import Job, Listed, Plan, Run, Spool, Store


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
    said = [k.answer.utc_s for k in store.answers(run.id) if k.answer.said == "stopped"]
    return came_to(
        None if plan is None else plan.toolpath,
        run.elapsed_s,
        _stopped_s(said[0] if said else None, run.started_utc_s, run.elapsed_s),
        store.ledger.last_notes(run.id).get("pace"),
    )


def came_to(
    toolpath: Toolpath | None, elapsed_s: float, stopped_s: float | None, pace: float | None
) -> Printed | None:
    """How far a print came in ``elapsed_s``, or until it was stopped; see :func:`printed`."""
    if toolpath is None or not toolpath.layers:
        return None
    pace = pace if pace is not None and pace > 0 else USUAL_PACE
    seconds = elapsed_s if stopped_s is None else stopped_s
    nominal = seconds / pace
    if stopped_s is None and nominal >= toolpath.layers[-1].start_s:
        return Printed(toolpath.filament_mm, seconds, 0.0, 0.0)
    used = pushed_by(toolpath, nominal)
    rest_s = max(0.0, toolpath.duration_s * pace - seconds)
    return Printed(used, seconds, toolpath.filament_mm - used, rest_s)


def _stopped_s(stopped_utc_s: float | None, started_utc_s: float, elapsed_s: float) -> float | None:
    """Elapsed seconds at which a person said that the print was stopped, if anybody did."""
    if stopped_utc_s is None:
        return None
    return min(max(stopped_utc_s - started_utc_s, 0.0), elapsed_s)


def has_failed(one: Listed) -> bool:
    """As a person judged the part; else the last answer; else whether the advice was to stop."""
    if one.outcome:
        return one.outcome == "failed"
    if one.said is not None:
        return one.said != "still fine"
    return one.advice is not None and one.advice.level == "stop"


def months(store: Store) -> list[Month]:
    """Every month's sums, the newest first."""
    ended = [one for one in store.shelf.listed() if one.state != "watching"]
    return by_month(spent(store, ended).values())


def spent(store: Store, listed: Sequence[Listed]) -> dict[int, Spent]:
    """What each of these runs took in hours, filament and money, by run.

    Filament costs what its spool costs, or else what the run's own settings say; hours cost where
    those give a price for them. Four queries, however many runs.
    """
    spools = {spool.id: spool for spool in store.ledger.spools()}
    counted = store.ledger.used_by_run()
    plans = store.plans([one.id for one in listed])
    return {
        one.id: _spent(
            one,
            plans.get(one.id),
            None if one.spool_id is None else spools.get(one.spool_id),
            None if one.spool_id is None else counted.get((one.id, one.spool_id)),
        )
        for one in listed
    }


def _spent(one: Listed, plan: Plan | None, spool: Spool | None, counted_mm: float | None) -> Spent:
    stopped_s = _stopped_s(one.stopped_utc_s, one.started_utc_s, one.elapsed_s)
    toolpath = None if plan is None else plan.toolpath
    came = came_to(toolpath, one.elapsed_s, stopped_s, one.pace)
    came = came or Printed(0.0, one.elapsed_s, 0.0, 0.0)
    used = came.used_mm if counted_mm is None else counted_mm
    prices = Prices() if plan is None else plan.weights.prices
    gram, per_kg = None, prices.filament_per_kg
    if spool is not None:
        gram = per_mm_g(spool.diameter_mm, density_of(spool)[0])
        per_kg = per_kg if spool.price_per_kg is None else spool.price_per_kg
    elif per_kg is not None:
        gram = per_mm_g(prices.filament_diameter_mm, prices.filament_density_g_cm3)
    failed = has_failed(one)
    # A run that was only no longer watched saved nothing: the printer went on.
    ended = one.state == "left early" or stopped_s is not None
    rest_mm, rest_s = (came.rest_mm, came.rest_s) if failed and ended else (0.0, 0.0)
    hour = prices.machine_hour

    def money(length_mm: float, seconds: float) -> float | None:
        if (gram is None or per_kg is None) and hour is None:
            return None
        filament = 0.0 if gram is None or per_kg is None else length_mm * gram * per_kg / 1000
        return filament + seconds / 3600 * (hour or 0.0)

    return Spent(
        month=datetime.fromtimestamp(one.started_utc_s, UTC).astimezone().strftime("%Y-%m"),
        hours=came.seconds / 3600,
        filament_mm=used,
        mass_g=None if gram is None else used * gram,
        money=money(used, came.seconds),
        failed=failed,
        saved_hours=rest_s / 3600,
        saved_mm=rest_mm,
        saved_g=None if gram is None else rest_mm * gram,
        saved_money=money(rest_mm, rest_s),
    )
