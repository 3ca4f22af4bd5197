"""A real mosquitto broker, open to this machine only."""

import contextlib
import shutil
import socket
import subprocess
import time

import pytest


@pytest.fixture
def mosquitto(tmp_path):
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if program is None:
        pytest.skip("the MQTT tests need Debian's mosquitto, which is not there")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    config = tmp_path / "broker.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
    process = subprocess.Popen(
        [program, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        for _ in range(100):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
                break
            time.sleep(0.05)
        else:
            pytest.fail("mosquitto did not start")
        yield port
    finally:
        process.terminate()
        process.wait(10)
