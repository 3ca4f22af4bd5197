"""``watcher spool``: the ledger of spools."""

from __future__ import annotations

import time as clock
from datetime import UTC, datetime
from pathlib import Path

import click

from watcher.before import material
from watcher.before.spool import dried_at, stock_of
from watcher.store import Spool, SpoolEvent, Store
from watcher.trouble import BadFacts
from watcher.typed import data_option


@click.group()
def spool() -> None:
    """Keep the spools: weigh them, dry them, count them down.

    \b
    Example:
      watcher spool add black --material PA-CF --marked 750 --empty 210 --price 62
    """


@spool.command("add")
@click.argument("name")
@click.option("--material", "material_name", metavar="NAME", required=True, help="Such as PA6.")
@click.option(
    "--diameter",
    metavar="MM",
    type=click.Choice(["1.75", "2.85"]),
    default="1.75",
    show_default=True,
    help="Of the filament.",
)
@click.option("--marked", metavar="G", type=click.FloatRange(min=0), help="Grams printed on it.")
@click.option("--empty", metavar="G", type=click.FloatRange(min=0), help="Grams of it when empty.")
@click.option("--price", metavar="PER_KG", type=click.FloatRange(min=0), help="Price of a kg.")
@click.option(
    "--density", metavar="G_CM3", type=click.FloatRange(0.5, 9), help="Of its data sheet."
)
@click.option("--sealed", is_flag=True, help="It is kept in a closed box with drying agent.")
@data_option
def spool_add(
    *,
    name: str,
    material_name: str,
    diameter: str,
    marked: float | None,
    empty: float | None,
    price: float | None,
    density: float | None,
    sealed: bool,
    data: Path,
) -> None:
    """Write down a new spool.

    \b
    Example:
      watcher spool add black --material PA-CF --marked 750 --empty 210 --price 62
    """
    kind = material(material_name)
    if not name.strip() or len(name) > 60 or not name.isprintable():
        raise BadFacts("A spool needs a name that can be shown.", "Use up to 60 plain characters.")
    with Store.open(data, write=True) as store:
        store.ledger.add_spool(
            Spool(
                0,
                name,
                kind.name,
                float(diameter),
                density,
                price,
                marked,
                empty,
                sealed,
                clock.time(),
            )
        )
    click.echo(f"{name}: {kind.name}, {diameter} mm.")


@spool.command("set")
@click.argument("name")
@click.option("--empty", metavar="G", type=click.FloatRange(min=0), help="Grams of it when empty.")
@click.option("--price", metavar="PER_KG", type=click.FloatRange(min=0), help="Price of a kg.")
@click.option("--sealed/--open", default=None, help="How it is kept.")
@data_option
def spool_set(
    name: str, empty: float | None, price: float | None, sealed: bool | None, data: Path
) -> None:
    """Correct what is written down of a spool.

    \b
    Example:
      watcher spool set black --empty 212
    """
    with Store.open(data, write=True) as store:
        known = store.ledger.spool(name)
        store.ledger.change_spool(known.id, empty_g=empty, price_per_kg=price, sealed=sealed)
    click.echo(f"{name}: corrected.")


@spool.command("weigh")
@click.argument("name")
@click.argument("grams", type=click.FloatRange(min=0))
@data_option
def spool_weigh(name: str, grams: float, data: Path) -> None:
    """Write down what a spool weighs now, filament and all.

    \b
    Example:
      watcher spool weigh black 612
    """
    with Store.open(data, write=True) as store:
        known = store.ledger.spool(name)
        event = SpoolEvent(clock.time(), "weighed", gross_g=grams)
        # Judged first, so that a weight below the empty spool's is refused and not kept.
        stock = stock_of(known, [*store.ledger.spool_events(known.id), event])
        store.ledger.note_spool(known.id, event)
    click.echo(f"{name}: {stock.length_mm / 1000:.1f} ± {stock.sigma_mm / 1000:.1f} m.")


@spool.command("dry")
@click.argument("name")
@click.option("--hours", type=click.FloatRange(0.1, 200), required=True, help="How long.")
@click.option("--celsius", type=click.FloatRange(20, 200), required=True, help="How hot.")
@data_option
def spool_dry(name: str, hours: float, celsius: float, data: Path) -> None:
    """Write down that a spool was dried until now.

    \b
    Example:
      watcher spool dry black --hours 8 --celsius 80
    """
    with Store.open(data, write=True) as store:
        known = store.ledger.spool(name)
        store.ledger.note_spool(
            known.id, SpoolEvent(clock.time(), "dried", hours=hours, celsius=celsius)
        )
    kind = material(known.material)
    click.echo(f"{name} was dried at {celsius:g} °C for {hours:g} h.")
    if celsius > kind.dry_c.high:
        click.echo(
            f"The table says {kind.dry_c.low:.0f} to {kind.dry_c.high:.0f} °C for {kind.name} "
            f"({kind.dry_c.source}): look whether the turns stick together."
        )


@spool.command("list")
@data_option
def spool_list(data: Path) -> None:
    """List the spools and what is left on them.

    \b
    Example:
      watcher spool list
    """
    with Store.open(data, write=False) as store:
        spools = [(s, store.ledger.spool_events(s.id)) for s in store.ledger.spools()]
    if not spools:
        click.echo("No spool is written down. Add one with watcher spool add.")
    for known, events in spools:
        try:
            stock = stock_of(known, events)
            left = (
                f"{stock.length_mm / 1000:.1f} ± {stock.sigma_mm / 1000:.1f} m, "
                f"{stock.mass_g:.0f} g, {stock.how}"
            )
        except BadFacts as bad:
            left = str(bad)
        when = dried_at(events)
        dried = "never dried here" if when is None else f"dried {_day(when)}"
        click.echo(f"{known.name}: {known.material}, {known.diameter_mm:g} mm; {left}; {dried}")


def _day(utc_s: float) -> str:
    return datetime.fromtimestamp(utc_s, UTC).astimezone().strftime("%d %B %H:%M")
