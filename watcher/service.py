"""Running as a systemd service: the unit file, and telling systemd that all is well.

The protocol is sd_notify(3): a datagram of ``NAME=value`` lines to the socket that the environment
names.
"""

from __future__ import annotations

import os
import shlex
import socket
from collections.abc import Mapping
from pathlib import Path

WATCHDOG_S = 90


def notify(message: str, environment: Mapping[str, str] = os.environ) -> bool:
    """Tell systemd something, for instance ``READY=1``; false where it did not ask to be told."""
    name = environment.get("NOTIFY_SOCKET", "")
    if not name.startswith(("/", "@")):
        return False
    # A name that begins with @ lies in the abstract namespace, written with a zero byte.
    address = "\0" + name[1:] if name.startswith("@") else name
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
            sender.connect(address)
            sender.sendall(message.encode())
    except OSError:
        return False
    return True


def unit(program: str, config: Path, data: Path, options: tuple[str, ...] = ()) -> str:
    """The text of a unit file for one user's watches."""
    command = " ".join(
        _quoted(word) for word in (program, "tend", str(config), "--data", str(data), *options)
    )
    return f"""[Unit]
Description=Watches filament printers through cameras
Wants=network-online.target
After=network-online.target
# It must come up again however often it fails.
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart={command}
Restart=always
RestartSec=5
WatchdogSec={WATCHDOG_S}
# The watches end with the service, and what hangs is killed.
KillMode=mixed
TimeoutStopSec=40
NoNewPrivileges=true
PrivateTmp=true
ProtectSystem=full
UMask=0077

[Install]
WantedBy=default.target
"""


def _quoted(word: str) -> str:
    """A word of ExecStart= (systemd.service(5)): % and $ are doubled, blanks are quoted."""
    doubled = word.replace("%", "%%").replace("$", "$$")
    return doubled if shlex.quote(word) == word else '"' + _escaped(doubled) + '"'


def _escaped(word: str) -> str:
    return word.replace("\\", "\\\\").replace('"', '\\"')
