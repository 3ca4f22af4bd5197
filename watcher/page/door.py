"""Who may come in: passphrase, sessions, share links, and by which names the page is asked for."""

from __future__ import annotations

import ipaddress
import json
import secrets
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import argon2
from itsdangerous import BadData, URLSafeTimedSerializer

from watcher.store import disk
from watcher.trouble import BadAccess, BadStore

Role = Literal["all", "look"]
"""``look`` sees everything and changes nothing."""

FILE = "access.json"
SHORTEST = 10
LONGEST = 1000
LONGEST_SHARE_H = 7 * 24

_hasher = argon2.PasswordHasher()
"""argon2id with the library's defaults, which follow RFC 9106, section 4."""


@dataclass(frozen=True)
class Door:
    """The rules of one page."""

    passphrase: str = field(default="", repr=False)
    """Its argon2 hash; empty where none is asked for, which only loopback allows."""
    secret: str = field(default_factory=lambda: secrets.token_hex(32), repr=False)
    names: frozenset[str] = frozenset()
    """Host names, besides numbers and localhost, by which the page may be asked for."""

    @property
    def locked(self) -> bool:
        """Whether people have to sign in."""
        return bool(self.passphrase)

    def opens(self, passphrase: str) -> bool:
        """Whether the passphrase is the right one."""
        if len(passphrase) > LONGEST:
            return False
        try:
            return _hasher.verify(self.passphrase, passphrase)
        except (argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError):
            return False

    def knows_host(self, host: str) -> bool:
        """Whether a request's Host header names this page.

        A page of the web can make its own name point here (DNS rebinding), but not a number.
        """
        name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
        name = name.strip("[]").lower()
        if name == "localhost" or name in self.names:
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True

    def share(self, hours: float) -> str:
        """A token with which a second person may look for so many hours."""
        if not 0 < hours <= LONGEST_SHARE_H:
            raise BadAccess(
                f"A share link can't hold for {hours:g} hours.",
                f"Give up to {LONGEST_SHARE_H} hours.",
            )
        return self._serializer().dumps(hours)

    def lets_look(self, token: str) -> bool:
        """Whether a share token is ours and still holds."""
        if not self.locked:
            return False
        try:
            # Signature first: the hours in an unsigned token are anybody's.
            hours = float(self._serializer().loads(token))
            self._serializer().loads(token, max_age=int(hours * 3600))
        except (BadData, TypeError, ValueError):
            return False
        return True

    def _serializer(self) -> URLSafeTimedSerializer:
        return URLSafeTimedSerializer(self.secret, salt="share")


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches the address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def door_of(data: Path, host: str, names: frozenset[str] = frozenset()) -> Door:
    """The door of a page that is to listen on ``host``.

    Raises ``BadAccess`` where other machines could reach it and no passphrase is set.
    """
    if data.exists() and not data.is_dir():
        raise BadStore(f"{data} is not a folder.", "Choose another one with --data.")
    known = _read(data / FILE)
    if known is None:
        if not is_loopback(host):
            raise BadAccess(
                f"On {host} other machines would see the camera and could stop the printer.",
                "Set a passphrase first with: watcher passphrase",
            )
        return Door(names=names)
    return Door(known["passphrase"], known["secret"], names | {host.lower()})


def set_passphrase(data: Path, passphrase: str) -> None:
    """Keep a passphrase, hashed. All sessions and share links end.

    Raises ``BadAccess`` where it is too short, ``BadStore`` where it can't be kept.
    """
    if not SHORTEST <= len(passphrase) <= LONGEST:
        raise BadAccess(
            f"The passphrase has {len(passphrase)} characters.",
            f"Use {SHORTEST} or more, for instance four words by chance.",
        )
    content = {"passphrase": _hasher.hash(passphrase), "secret": secrets.token_hex(32)}
    with disk.told(data):
        data.mkdir(parents=True, exist_ok=True)
        # It is written by way of a temporary file, which only its owner may read.
        disk.write_file(data / FILE, json.dumps(content).encode())


def _read(path: Path) -> dict[str, str] | None:
    try:
        content = json.loads(path.read_text(encoding="ascii"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError):
        content = None
    if (
        not isinstance(content, dict)
        or not all(isinstance(content.get(k), str) for k in ("passphrase", "secret"))
        or not all(content[k] for k in ("passphrase", "secret"))
    ):
        raise BadStore(f"{path} can't be read.", "Set the passphrase anew: watcher passphrase")
    return content
