"""The three ways to stop a print, and whether they came through."""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from watcher.stopping.broker import Broker

WORDS_KEPT = 300


@dataclass(frozen=True)
class Outcome:
    """Whether the printer took the message; not whether it stands still."""

    ok: bool
    detail: str


@dataclass(frozen=True)
class Command:
    """A program and its arguments; no shell reads them."""

    words: tuple[str, ...]

    def shown(self) -> str:
        """Program alone: an argument may be a key."""
        more = f" with {len(self.words) - 1} arguments" if len(self.words) > 1 else ""
        return f"the command {shlex.quote(self.words[0])}{more}"


@dataclass(frozen=True)
class HttpRequest:
    """One HTTP request."""

    method: str
    url: str = field(repr=False)
    headers: tuple[tuple[str, str], ...] = field(default=(), repr=False)
    body: str = field(default="", repr=False)

    def shown(self) -> str:
        """Method and host: path, query and headers may hold keys."""
        parts = urlsplit(self.url)
        port = f":{parts.port}" if parts.port else ""
        return f"{self.method} to {parts.scheme}://{parts.hostname}{port}"


@dataclass(frozen=True)
class MqttMessage:
    """One message to a broker, with quality of service 1: the broker confirms it."""

    broker: Broker
    topic: str
    payload: str = field(repr=False)

    def shown(self) -> str:
        """Broker and topic."""
        return f"the message {self.topic} to the broker {self.broker.shown()}"


Action = Command | HttpRequest | MqttMessage


def perform(action: Action, timeout_s: float) -> Outcome:
    """Do it once and say what became of it; never raises."""
    if isinstance(action, Command):
        return _run(action, timeout_s)
    if isinstance(action, HttpRequest):
        return _ask(action, timeout_s)
    trouble = action.broker.send(action.topic, action.payload, timeout_s)
    return Outcome(not trouble, trouble or "the broker took the message")


def _run(command: Command, timeout_s: float) -> Outcome:
    try:
        # A session of its own, so that a hanging command goes with all that it started.
        process = subprocess.Popen(
            command.words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        return Outcome(False, f"it can't be started ({getattr(error, 'strerror', error)})")
    with process:
        try:
            said, _ = process.communicate(timeout=timeout_s)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
            return Outcome(False, f"it did not end within {timeout_s:g} s and was killed")
    words = said.decode("utf-8", "replace").strip()[:WORDS_KEPT]
    said_words = f": {words}" if words else ""
    if process.returncode:
        return Outcome(False, f"it ended with status {process.returncode}{said_words}")
    return Outcome(True, f"it ended with status 0{said_words}")


class _Stay(urllib.request.HTTPRedirectHandler):
    """A stop that is sent elsewhere has not arrived."""

    def redirect_request(self, *_: object, **__: object) -> None:
        return None


def _ask(asked: HttpRequest, timeout_s: float) -> Outcome:
    request = urllib.request.Request(
        asked.url,
        data=asked.body.encode() if asked.body else None,
        headers=dict(asked.headers),
        method=asked.method,
    )
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}), _Stay())
    try:
        with opener.open(request, timeout=timeout_s) as answer:
            return Outcome(True, f"it answered with HTTP status {answer.status}")
    except urllib.error.HTTPError as error:
        error.close()
        return Outcome(False, f"it answered with HTTP status {error.code}")
    except TimeoutError:
        return Outcome(False, f"it did not answer within {timeout_s:g} s")
    except urllib.error.URLError as error:
        if isinstance(error.reason, TimeoutError):
            return Outcome(False, f"it did not answer within {timeout_s:g} s")
        reason = getattr(error.reason, "strerror", None) or "no reason given"
        return Outcome(False, f"it can't be reached ({reason})")
    except (OSError, ValueError) as error:
        return Outcome(False, f"it does not answer as a web server does ({type(error).__name__})")
    except Exception as error:  # http.client's own errors
        return Outcome(False, f"it does not answer as a web server does ({type(error).__name__})")
