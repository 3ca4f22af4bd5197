"""``watcher chamber``: listens to chamber and humidity, and says when they leave their band."""

from __future__ import annotations

import secrets
import threading
import time as clock
from pathlib import Path
from typing import get_args
from urllib.parse import urlsplit

import click

from watcher.conditions import Band, departures
from watcher.conditions.ear import Ear
from watcher.page.around import KEY_FILE
from watcher.stopping import Broker
from watcher.store import Store, What
from watcher.trouble import BadFacts
from watcher.typed import data_option

LOOK_EVERY_S = 5.0
LOOK_BACK_S = 12 * 3600.0


def read_broker(text: str) -> Broker:
    """The broker of an address. Raises ``BadFacts``."""
    try:
        parts = urlsplit(text if "://" in text else f"mqtt://{text}")
        port = parts.port or 1883
    except ValueError:
        raise BadFacts("The port of --mqtt is no number.", "Write mqtt://host:1883.") from None
    if parts.scheme != "mqtt" or not parts.hostname:
        raise BadFacts("--mqtt is no address of a broker.", "Write mqtt://host:1883.")
    return Broker(parts.hostname, port, parts.username or "", parts.password or "")


def read_topics(texts: tuple[str, ...]) -> dict[str, What | None]:
    """``chamber_c=shop/temperature`` for bare numbers, a topic alone for JSON objects."""
    found: dict[str, What | None] = {}
    for text in texts:
        what, sign, topic = text.partition("=")
        kind = next((known for known in get_args(What) if known == what), None)
        if sign and kind is None:
            raise BadFacts(
                f"--topic {text!r} names {what!r}.", f"Use {' or '.join(get_args(What))}."
            )
        name = topic if sign else text
        if not name or any(sign in name for sign in "+#\0"):
            raise BadFacts(f"--topic {text!r} can't be listened to.", "Give one topic, no + or #.")
        found[name] = kind
    return found


def key_of(data: Path) -> str:
    """The key that senders show, made at first use and kept for this user alone."""
    path = data / KEY_FILE
    if not path.exists():
        data.mkdir(parents=True, exist_ok=True)
        path.touch(mode=0o600)
        path.write_text(secrets.token_urlsafe(24), encoding="ascii")
    return path.read_text(encoding="ascii").strip()


@click.command()
@click.option(
    "--csv",
    "csv_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="A CSV file that is being written: a header with time, chamber_c, humidity_percent.",
)
@click.option("--mqtt", "broker", metavar="ADDRESS", envvar="WATCHER_MQTT", help="mqtt://host:1883")
@click.option(
    "--topic",
    "topics",
    metavar="TOPIC",
    multiple=True,
    help="A topic of JSON objects, or chamber_c=TOPIC, humidity_percent=TOPIC for bare numbers.",
)
@click.option("--place", metavar="NAME", default="", help="Name of the chamber, where several are.")
@click.option("--band", metavar="LOW HIGH", type=(float, float), help="Of the chamber, in °C.")
@click.option("--key", "show_key", is_flag=True, help="Show the key for sending by HTTP, and end.")
@data_option
def chamber(
    *,
    csv_file: Path | None,
    broker: str | None,
    topics: tuple[str, ...],
    place: str,
    band: tuple[float, float] | None,
    show_key: bool,
    data: Path,
) -> None:
    """Listen to chamber temperature and humidity until Ctrl-C.

    Readings come over MQTT, from a CSV file that is being written, or by HTTP to the page. They are
    kept beside the pictures and drawn under the lift. Late ones, copies and other orders are taken
    as they come; what can't be read is kept as it came. When the chamber leaves its band, the
    terminal rings.

    \b
    Examples:
      watcher chamber --csv chamber.csv --band 50 70
      watcher chamber --mqtt mqtt://192.0.2.5 --topic chamber_c=shop/box/temperature
      watcher chamber --key
    """
    if show_key:
        click.echo(key_of(data))
        return
    if band is not None and band[0] >= band[1]:
        raise BadFacts(f"The band {band[0]:g} to {band[1]:g} is empty.", "Give low, then high.")
    if broker is not None and not topics:
        raise BadFacts("A broker has many topics.", "Name those to listen to with --topic.")
    ear = Ear(
        data,
        place,
        clock.time,
        csv_file,
        None if broker is None else read_broker(broker),
        read_topics(topics),
    )
    limits = None if band is None else Band("chamber_c", *band)
    with Store.open(data, write=True):
        pass  # a data folder that can't be written is told now, not in the night
    ear.start()
    click.echo("Listening; Ctrl-C ends it.")
    try:
        _watch(data, limits)
    except KeyboardInterrupt:
        click.echo()
    finally:
        ear.close()


def _watch(data: Path, band: Band | None) -> None:
    told: set[float] = set()
    while True:
        threading.Event().wait(LOOK_EVERY_S)
        if band is None:
            continue
        with Store.open(data, write=False) as store:
            now = clock.time()
            readings = store.ledger.conditions(now - LOOK_BACK_S, now)
        for one in departures(readings, band):
            if one.ended_utc_s is None and one.began_utc_s not in told:
                told.add(one.began_utc_s)
                click.secho(f"\a{one.sentence}", bold=True)
