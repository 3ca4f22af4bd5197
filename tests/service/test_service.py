"""The systemd unit and the datagrams that tell systemd how it goes."""

import shutil
import socket
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from watcher.cli import main
from watcher.service import WATCHDOG_S, notify, unit


@pytest.mark.parametrize("abstract", [False, True])
def test_systemd_is_told_by_datagram(tmp_path, abstract):
    """sd_notify(3): a datagram to a path, or to an abstract name that begins with @."""
    name = f"\0watcher-test-{tmp_path.name}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(name)
        systemd.settimeout(10)
        assert notify("WATCHDOG=1", {"NOTIFY_SOCKET": name.replace("\0", "@")})
        assert systemd.recv(100) == b"WATCHDOG=1"


@pytest.mark.parametrize("where", ["", "/nowhere/at/all", "relative", "@no-such-name"])
def test_without_systemd_nothing_is_told_and_nothing_breaks(where):
    assert not notify("READY=1", {"NOTIFY_SOCKET": where} if where else {})


def test_the_unit_restarts_what_dies_or_hangs():
    text = unit("/usr/bin/watcher", Path("/etc/watcher.toml"), Path("/var/lib/watcher"))
    lines = text.splitlines()
    assert "Type=notify" in lines
    assert "Restart=always" in lines
    assert f"WatchdogSec={WATCHDOG_S}" in lines
    assert "ExecStart=/usr/bin/watcher tend /etc/watcher.toml --data /var/lib/watcher" in lines


@pytest.mark.parametrize("folder", ["plain", "with blanks", '100% $HOME "quoted" back\\slash'])
def test_systemd_itself_takes_the_unit(tmp_path, folder):
    if shutil.which("systemd-analyze") is None:
        pytest.skip("this test needs systemd-analyze, which is not there")
    place = tmp_path / folder
    place.mkdir()
    # systemd takes no odd characters in a program's own path; pip makes none there.
    program = tmp_path / "watcher"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    path = tmp_path / "watcher-test.service"
    path.write_text(unit(str(program), place / "workshop.toml", place))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    about = [line for line in done.stderr.splitlines() if "watcher-test" in line]
    assert about == []


def test_the_command_prints_it_for_a_good_configuration_only(tmp_path):
    result = CliRunner().invoke(main, ["service", str(tmp_path / "none.toml")])
    assert result.exit_code == 2
    assert "no configuration" in result.stderr
