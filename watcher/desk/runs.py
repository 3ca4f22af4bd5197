"""``watcher note``, ``compare`` and ``cost``: what is written down of runs and learnt from them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from watcher.after import changes, effect, suggest, varying
from watcher.before import material
from watcher.page.learnt import months, printed, settings_with_notes
from watcher.store import Job, Run, SpoolEvent, Store
from watcher.trouble import BadFacts
from watcher.typed import data_option


@click.command()
@click.argument("run_id", metavar="RUN", type=int)
@click.option("--spool", "spool_name", metavar="NAME", help="The spool it was printed from.")
@click.option("--used", metavar="M", type=click.FloatRange(min=0), help="Metres that it took.")
@click.option("--material", "material_name", metavar="NAME", help="Without a spool.")
@click.option("--drying", metavar="TEXT", help="How the filament was dried.")
@click.option("--bed", metavar="TEXT", help="How the bed was prepared.")
@click.option("--notes", metavar="TEXT", help="Anything else.")
@click.option("--outcome", type=click.Choice(["good", "failed"]), help="As you judge the part.")
@click.option("--done", metavar="TEXT", help="What was done about it.")
@data_option
def note(
    *,
    run_id: int,
    spool_name: str | None,
    used: float | None,
    material_name: str | None,
    drying: str | None,
    bed: str | None,
    notes: str | None,
    outcome: str | None,
    done: str | None,
    data: Path,
) -> None:
    """Write down what the camera can't see of a run.

    With a spool, what the run took is counted down from it.

    \b
    Examples:
      watcher note 12 --spool black --bed "glue stick, washed" --outcome failed
      watcher note 12 --done "8 mm brim next time"
    """
    if used is not None and spool_name is None:
        raise BadFacts("Filament is used from a spool.", "Name it with --spool.")
    with Store.open(data, write=True) as store:
        run = store.run(run_id)
        if run is None:
            raise BadFacts(f"There is no run {run_id}.", "See watcher runs.")
        spool_id = None
        kind = None if material_name is None else material(material_name).name
        if spool_name is not None:
            known = store.ledger.spool(spool_name)
            spool_id, kind = known.id, known.material
        store.ledger.keep_job(
            run_id,
            spool_id=spool_id,
            material=kind,
            drying=drying,
            bed=bed,
            notes=notes,
            outcome=outcome,
            done=done,
        )
        if spool_name is not None and spool_id is not None:
            length = _used_mm(store, run) if used is None else used * 1000
            store.ledger.note_spool(
                spool_id,
                SpoolEvent(
                    run.started_utc_s + run.elapsed_s, "used", length_mm=length, run_id=run_id
                ),
            )
            click.echo(f"{length / 1000:.1f} m are counted from {spool_name}.")
    click.echo(f"Noted for run {run_id}, {run.name}.")


def _used_mm(store: Store, run: Run) -> float:
    came = printed(store, run)
    if came is None:
        raise BadFacts(
            f"The toolpath of run {run.id} is not known, so neither is what it took.",
            "Say it with --used.",
        )
    return came.used_mm


@click.command()
@click.argument("run_ids", metavar="RUN...", nargs=-1, type=int, required=True)
@data_option
def compare(run_ids: tuple[int, ...], data: Path) -> None:
    """Say what changed between runs, and only that.

    With two runs: the settings that differ, and the next single change to try if the second
    failed. With more: each setting that varies against the outcome, with what so few runs can tell.

    \b
    Examples:
      watcher compare 11 12
      watcher compare 3 5 8 11 12
    """
    if len(set(run_ids)) < 2:
        raise BadFacts("It takes two runs or more to compare.", "Name them by number.")
    with Store.open(data, write=False) as store:
        runs = [store.run(run_id) for run_id in dict.fromkeys(run_ids)]
        for run_id, run in zip(dict.fromkeys(run_ids), runs, strict=True):
            if run is None:
                raise BadFacts(f"There is no run {run_id}.", "See watcher runs.")
        known = [run for run in runs if run is not None]
        spools = {s.id: s.name for s in store.ledger.spools()}
        jobs = [store.ledger.job(run.id) for run in known]
    settings = [settings_with_notes(job, spools) for job in jobs]
    if len(known) == 2:
        _compare_two(known, jobs, settings)
    else:
        _compare_series(jobs, settings)


def _compare_two(
    runs: Sequence[Run], jobs: Sequence[Job], settings: Sequence[dict[str, str]]
) -> None:
    found = changes(*settings)
    for change in found.settings:
        click.echo(f"{change.key}: {change.before or '(none)'} -> {change.after or '(none)'}")
    if found.warning():
        click.echo(found.warning())
    for change in found.reckoned:
        click.echo(f"It follows: {change.key}: {change.before} -> {change.after}")
    advice = runs[1].advice
    if advice is not None and advice.kind is not None and jobs[1].outcome != "good":
        tried = [c.key for c in found.settings] if jobs[0].outcome == "failed" else []
        idea = suggest(advice.kind, settings[1], tried)
        if idea is not None:
            click.echo(f"Next, change only this: {idea.change}; {idea.reason} ({idea.source}).")


def _compare_series(jobs: Sequence[Job], settings: Sequence[dict[str, str]]) -> None:
    judged = [n for n, job in enumerate(jobs) if job.outcome]
    if len(judged) < len(jobs):
        click.echo(
            f"{len(jobs) - len(judged)} of {len(jobs)} runs have no outcome and are left out: "
            "watcher note RUN --outcome."
        )
    different = varying([settings[n] for n in judged])
    if not different:
        click.echo("No recorded setting varies over these runs.")
    failed = [jobs[n].outcome == "failed" for n in judged]
    for key, values in different.items():
        click.echo(f"{key}: {effect(key, values, failed).sentence()}")
    if len(different) > 1:
        click.echo(
            f"{len(different)} settings vary over these runs, so none of them alone can be blamed "
            "or praised. Change one at a time."
        )


@click.command()
@data_option
def cost(data: Path) -> None:
    """Say what failed prints cost, month by month.

    And what stopping early saved. Runs count as failed where you said so with watcher note, or
    where the advice was to stop and nobody called the part good.

    \b
    Example:
      watcher cost
    """
    with Store.open(data, write=False) as store:
        found = months(store)
    if not found:
        click.echo(f"No runs are kept in {data}.")
    for month in found:
        click.echo(
            f"{month.month}: {month.failed} of {month.runs} failed (95 %: {month.failed_low:.0%} "
            f"to {month.failed_high:.0%}); printed {month.hours:.1f} h, {month.mass_g:.0f} g, "
            f"{month.money:.2f}"
        )
        click.echo(
            f"   lost {month.lost_hours:.1f} h, {month.lost_g:.0f} g, {month.lost_money:.2f}; "
            f"saved by stopping early {month.saved_hours:.1f} h, {month.saved_g:.0f} g, "
            f"{month.saved_money:.2f}"
        )
        if month.unpriced:
            click.echo(f"   {month.unpriced} of them have no spool with a price: watcher note")
