"""Reads the configuration of several printers from one TOML file."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import time
from pathlib import Path
from typing import Any, NoReturn, TypeVar
from urllib.parse import urlsplit

from watcher.alarms import Manners, Services
from watcher.settings import read_setup
from watcher.sources.address import read_address
from watcher.stopping import Action, Broker, Command, HttpRequest, MqttMessage
from watcher.trouble import BadConfig, BadSetup, BadSource
from watcher.weights import read_weights

METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")
SHORTEST_KEY = 16
LAYER_INTERVAL_S = 600.0
"""So long after the last layer's picture one is taken by time."""
PROGRAMS = (".gcode", ".gco", ".g", ".nc")

Value = TypeVar("Value")


@dataclass(frozen=True)
class Stop:
    """How one printer is stopped."""

    action: Action
    timeout_s: float = 20.0
    dry_run: bool = False
    """Say what would be done and do nothing."""


@dataclass(frozen=True)
class Printer:
    """One printer and its camera."""

    name: str
    source: str = field(repr=False)
    """May hold a password; ``watcher.sources.address`` gives what may be shown."""
    setup: Path
    toolpath: Path
    """A G-code file, or a folder of which the newest is taken."""
    interval_s: float = 10.0
    quick_interval_s: float | None = None
    """Interval while evidence grows; ``None``: the same."""
    layers: bool = False
    """A picture when the layer file is touched or ``POST /layer`` comes, and by time only when
    neither has come for ``interval_s``."""
    layer_file: Path | None = None
    stop: Stop | None = None
    settings: Path | None = None
    """What is weighed: budget and prices, as ``watcher watch --settings`` takes them."""

    def program(self) -> Path:
        """The G-code file. Raises ``BadConfig`` where a folder holds none."""
        if not self.toolpath.is_dir():
            return self.toolpath
        found = [p for p in self.toolpath.iterdir() if p.suffix.lower() in PROGRAMS]
        if not found:
            raise BadConfig(
                f"The folder {self.toolpath} of the printer {self.name} holds no G-code.",
                "Put the program that is being printed there.",
            )
        return max(found, key=lambda path: path.stat().st_mtime_ns)


@dataclass(frozen=True)
class Alarms:
    """Who is told, and how."""

    services: tuple[str, ...] = field(default=(), repr=False)
    manners: Manners = field(default_factory=Manners)
    heartbeat: str = field(default="", repr=False)
    heartbeat_every_s: float = 60.0


@dataclass(frozen=True)
class Mqtt:
    """A broker that is told how the watches stand."""

    broker: Broker
    topic: str = "watcher"


@dataclass(frozen=True)
class Config:
    """All of it."""

    printers: tuple[Printer, ...]
    alarms: Alarms = Alarms()
    mqtt: Mqtt | None = None
    address: str = ""
    """The page's address as people reach it, for links in messages."""
    layer_key: str = field(default="", repr=False)


def read_config(path: Path) -> Config:
    """Return the configuration in the TOML file at ``path``; other files are found from its folder.

    Raises ``BadConfig`` with one sentence that names file, line, field and mend.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
        content = tomllib.loads(text)
    except FileNotFoundError:
        raise BadConfig(
            f"There is no configuration {path}.", "Write one as the README describes."
        ) from None
    except OSError as error:
        raise BadConfig(
            f"The configuration {path} can't be read ({error.strerror}).",
            "Name a TOML file that you may read.",
        ) from None
    except UnicodeDecodeError:
        raise BadConfig(f"{path.name} is not a text file.", "Name a TOML file.") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        line = re.search(r"line (\d+)", str(error))
        place = f"{path.name}, line {line[1]}" if line else path.name
        what = re.sub(r" ?\(at .*\)$", "", str(error)).rstrip(".")
        raise BadConfig(f"{place}: it is not TOML ({what}).", "Mend that line.") from None
    return _Reader(path, text, content).config()


def is_web(text: str) -> bool:
    """Whether a text is an address with http or https and a host."""
    try:
        parts = urlsplit(text)
        return parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        return False


def line_of(text: str, table: Sequence[str | int], key: str = "") -> int:
    """Line, counted from 1, of a key or else of its table's header.

    ``table`` is its path, for instance ``("printer", 1, "stop")`` for the second printer's. A key
    that stands in an inline table is found at the line of that table.
    """
    counts: dict[str, int] = {}
    here: list[str | int] = []
    best = 1
    for number, line in enumerate(text.splitlines(), 1):
        header = re.match(r"\s*(\[\[?)\s*([^\]]+?)\s*\]", line)
        if header:
            here = _path(header[2], header[1] == "[[", counts)
            if here == list(table[: len(here)]):
                best = number
        name = re.match(r"\s*[\"']?([\w.-]+)[\"']?\s*=", line)
        if not name:
            continue
        rest = list(table[len(here) :])
        if here == list(table[: len(here)]):
            wanted = [*map(str, rest), key] if key else list(map(str, rest))
            parts = name[1].split(".")
            if wanted and parts == wanted[: len(parts)]:
                return number
    return best


def _path(header: str, is_array: bool, counts: dict[str, int]) -> list[str | int]:
    """A header's path with the array tables' indices filled in."""
    parts = [part.strip().strip("\"'") for part in header.split(".")]
    if is_array:
        counts[header] = counts.get(header, -1) + 1
    path: list[str | int] = []
    for end in range(1, len(parts) + 1):
        path.append(parts[end - 1])
        index = counts.get(".".join(parts[:end]))
        if index is not None:
            path.append(index)
    return path


class _Table:
    """One table, whose keys are taken out one by one so that each complaint names its line."""

    def __init__(
        self, reader: _Reader, content: Mapping[str, Any], path: tuple[str | int, ...]
    ) -> None:
        self._reader = reader
        self._content = dict(content)
        self._path = path

    def refuse(self, key: str, what: str, do: str) -> NoReturn:
        """Complain about one key; about the table itself where it is empty."""
        name = ".".join(str(p) for p in (*self._path, key) if not isinstance(p, int) and p != "")
        line = line_of(self._reader.text, self._path, key)
        raise BadConfig(f"{self._reader.path.name}, line {line}: {name} {what}.", do)

    def has(self, key: str) -> bool:
        return key in self._content

    def take(self, key: str, kind: type[Value], default: Value | None, mend: str) -> Value:
        """Take a value out; without a default it must be there."""
        if key not in self._content:
            if default is None:
                self.refuse(key, "is missing", mend)
            return default
        value = self._content.pop(key)
        if kind is float and isinstance(value, int) and not isinstance(value, bool):
            value = float(value)
        if not isinstance(value, kind) or (kind is not bool and isinstance(value, bool)):
            self.refuse(key, f"is not {_KINDS[kind]}", mend)
        return value

    def text(self, key: str, default: str | None = None, mend: str = "Add it.") -> str:
        value = self.take(key, str, default, mend)
        if default is None and not value.strip():
            self.refuse(key, "is empty", mend)
        return value

    def number(self, key: str, default: float, least: float, most: float) -> float:
        value = self.take(key, float, default, f"Give a number from {least:g} to {most:g}.")
        if not least <= value <= most:
            self.refuse(key, f"is {value:g}", f"Give a number from {least:g} to {most:g}.")
        return value

    def table(self, key: str) -> _Table:
        content = self._content.pop(key)
        if not isinstance(content, dict):
            self.refuse(key, "is not a table", f"Begin it with [{key}].")
        return _Table(self._reader, content, (*self._path, key))

    def tables(self, key: str) -> list[_Table]:
        entries = self._content.pop(key, [])
        if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
            self.refuse(key, "is not a list of tables", f"Begin each with [[{key}]].")
        return [_Table(self._reader, e, (*self._path, key, n)) for n, e in enumerate(entries)]

    def texts(self, key: str, mend: str) -> tuple[str, ...]:
        values: list[Any] = self.take(key, list, [], mend)
        if not all(isinstance(value, str) for value in values):
            self.refuse(key, "is not a list of texts", mend)
        return tuple(values)

    def file(self, key: str, mend: str) -> Path:
        return self._reader.path.parent / Path(self.text(key, mend=mend)).expanduser()

    def done(self) -> None:
        """Refuse what nobody asked for: a misspelt key would be ignored for a whole night."""
        for key in self._content:
            self.refuse(key, "is not known", "Check its spelling, or take it out.")


_KINDS: dict[type, str] = {
    str: "a text in quotes",
    float: "a number",
    bool: "true or false",
    list: "a list",
    int: "a whole number",
}


class _Reader:
    def __init__(self, path: Path, text: str, content: dict[str, Any]) -> None:
        self.path = path
        self.text = text
        self._all = _Table(self, content, ())

    def config(self) -> Config:
        table = self._all
        mqtt = self._mqtt(table.table("mqtt")) if table.has("mqtt") else None
        alarms = self._alarms(table.table("alarms")) if table.has("alarms") else Alarms()
        address = layer_key = ""
        if table.has("page"):
            page = table.table("page")
            address = page.text("address", "")
            if address and not is_web(address):
                page.refuse("address", "is no http:// address", "Write the page's address.")
            layer_key = page.text("layer_key", "")
            if layer_key and len(layer_key) < SHORTEST_KEY:
                page.refuse(
                    "layer_key", "is too short", f"Use {SHORTEST_KEY} characters or more by chance."
                )
            page.done()
        entries = table.tables("printer")
        if not entries:
            table.refuse("printer", "is missing", "Add a [[printer]] with its source and setup.")
        printers = [self._printer(entry, mqtt, layer_key) for entry in entries]
        for n, printer in enumerate(printers):
            if printer.name in [other.name for other in printers[:n]]:
                entries[n].refuse("name", f"{printer.name!r} is there twice", "Name each apart.")
        table.done()
        return Config(tuple(printers), alarms, mqtt, address.rstrip("/"), layer_key)

    def _alarms(self, table: _Table) -> Alarms:
        services = table.texts("services", "Give addresses of the apprise library, in quotes.")
        try:
            Services.read(services)
        except BadConfig as trouble:
            table.refuse("services", f"holds one that can't be used: {trouble}", "")
        quiet = table.texts("quiet", 'Give two times, as ["22:30", "06:30"].')
        heartbeat = table.text("heartbeat", "")
        if heartbeat and not is_web(heartbeat):
            table.refuse("heartbeat", "is no http:// address", "Write the whole address.")
        found = Alarms(
            services,
            Manners(
                60 * table.number("repeat_min", 2.0, 0.1, 60),
                self._times(table, quiet),
                table.take("looks", bool, True, "Use true or false."),
            ),
            heartbeat,
            table.number("heartbeat_every_s", 60.0, 1, 3600),
        )
        table.done()
        return found

    def _times(self, table: _Table, texts: tuple[str, ...]) -> tuple[time, time] | None:
        if not texts:
            return None
        try:
            begin, end = (time.fromisoformat(text) for text in texts)
        except ValueError:
            table.refuse("quiet", "does not hold two times", 'Write ["22:30", "06:30"].')
        return begin, end

    def _mqtt(self, table: _Table) -> Mqtt:
        broker = Broker(
            table.text("host", mend="Name the broker's machine."),
            int(table.number("port", 1883, 1, 65535)),
            table.text("user", ""),
            table.text("password", ""),
            table.take("tls", bool, False, "Use true or false."),
        )
        topic = table.text("topic", "watcher")
        self._check_topic(table, topic)
        table.done()
        return Mqtt(broker, topic)

    def _check_topic(self, table: _Table, topic: str) -> None:
        if not topic or any(c in topic for c in "+#\0"):
            table.refuse("topic", "can't be published to", "Use words and slashes, no + and no #.")

    def _printer(self, table: _Table, mqtt: Mqtt | None, layer_key: str) -> Printer:
        name = table.text("name", mend="Name the printer.")
        if not name.isprintable() or len(name) > 60:
            table.refuse("name", "can't be shown", "Use a name of up to 60 plain characters.")
        source = table.text("source", mend="Give a camera's number, an address or a folder.")
        self._check(table, "source", lambda: "://" in source and read_address(source))
        setup = table.file("setup", "Name the setup.json of this camera and machine.")
        self._check(table, "setup", lambda: read_setup(setup))
        toolpath = table.file("toolpath", "Name the G-code, or the folder it is put into.")
        if not toolpath.exists():
            table.refuse("toolpath", f"names {toolpath}, which is not there", "Check the path.")
        by = table.text("pictures", "interval")
        if by not in ("interval", "layer"):
            table.refuse("pictures", f"is {by!r}", "Use interval or layer.")
        layer_file = table.file("layer_file", "") if table.has("layer_file") else None
        if by == "layer" and layer_file is None and not layer_key:
            table.refuse(
                "pictures",
                "is 'layer', but nothing can call",
                "Add layer_file here, or layer_key under [page].",
            )
        settings = table.file("settings", "") if table.has("settings") else None
        if settings is not None:
            self._check(table, "settings", lambda: read_weights(settings))
        quick = table.has("quick_interval_s")
        interval_s = table.number(
            "interval_s", LAYER_INTERVAL_S if by == "layer" else 10.0, 0.5, 3600
        )
        printer = Printer(
            name,
            source,
            setup,
            toolpath,
            interval_s,
            table.number("quick_interval_s", 0.0, 0.5, interval_s) if quick else None,
            by == "layer",
            layer_file,
            self._stop(table.table("stop"), mqtt) if table.has("stop") else None,
            settings,
        )
        table.done()
        return printer

    def _check(self, table: _Table, key: str, read: Callable[[], object]) -> None:
        try:
            read()
        except (BadSource, BadSetup) as trouble:
            table.refuse(key, f"can't be used: {trouble}".rstrip("."), "")

    def _stop(self, table: _Table, mqtt: Mqtt | None) -> Stop:
        ways = [way for way in ("command", "http", "mqtt") if table.has(way)]
        if len(ways) != 1:
            table.refuse(
                "",
                f"names {len(ways)} ways to stop",
                "Give it exactly one of command, http and mqtt.",
            )
        action: Action
        if ways == ["command"]:
            words = table.texts("command", 'Write it as ["program", "argument"].')
            if not words or not words[0]:
                table.refuse("command", "is empty", 'Write it as ["program", "argument"].')
            action = Command(words)
        elif ways == ["http"]:
            action = self._http(table.table("http"))
        else:
            action = self._message(table.table("mqtt"), mqtt)
        stop = Stop(
            action,
            table.number("timeout_s", 20.0, 1, 120),
            table.take("dry_run", bool, False, "Use true or false."),
        )
        table.done()
        return stop

    def _http(self, table: _Table) -> HttpRequest:
        method = table.text("method", "POST").upper()
        if method not in METHODS:
            table.refuse("method", f"is {method!r}", f"Use one of {', '.join(METHODS)}.")
        url = table.text("url", mend="Give the address to ask for.")
        if not is_web(url):
            table.refuse("url", "is no http:// address", "Write the whole address.")
        headers: list[tuple[str, str]] = []
        if table.has("headers"):
            given = table.table("headers")
            for name in list(given._content):
                value = given.text(name)
                if not re.fullmatch(r"[\w!#$%&'*+.^`|~-]+", name) or not value.isprintable():
                    given.refuse(name, "is no HTTP header", 'Write Name = "value".')
                headers.append((name, value))
        request = HttpRequest(method, url, tuple(headers), table.text("body", ""))
        table.done()
        return request

    def _message(self, table: _Table, mqtt: Mqtt | None) -> MqttMessage:
        if mqtt is None:
            table.refuse("", "has no broker", "Add an [mqtt] table with its host.")
        topic = table.text("topic", mend="Give the topic to publish to.")
        self._check_topic(table, topic)
        message = MqttMessage(mqtt.broker, topic, table.text("payload", ""))
        table.done()
        return message
