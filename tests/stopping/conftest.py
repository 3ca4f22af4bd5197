"""A real mosquitto broker."""

import contextlib
import shutil
import socket
import subprocess
import time

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return listener.getsockname()[1]


def mosquitto_path():
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")


class Mosquitto:
    """Debian's broker on a port of its own; may be stopped and started again."""

    def __init__(self, program, folder):
        self._program = program
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        passwords = folder / "passwords"
        passwords.write_text("me:s3cret\n")
        subprocess.run(
            [shutil.which("mosquitto_passwd", path="/usr/bin:/usr/sbin"), "-U", str(passwords)],
            check=True,
            capture_output=True,
        )
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous false\n"
            f"password_file {passwords}\npersistence false\nuser root\n"
        )
        self._process = None
        self.start()

    def start(self):
        self._process = subprocess.Popen(
            [self._program, "-c", str(self._config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for _ in range(500):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            time.sleep(0.02)
        pytest.fail("mosquitto did not start")

    def stop(self):
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


@pytest.fixture
def mosquitto(tmp_path):
    program = mosquitto_path()
    if program is None:
        pytest.skip("the MQTT tests need Debian's mosquitto, which is not there")
    broker = Mosquitto(program, tmp_path)
    yield broker
    broker.stop()


@pytest.fixture
def heard(mosquitto):
    """What a client of its own hears from the broker: topic, payload and whether retained."""
    messages = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.username_pw_set("me", "s3cret")
    client.on_connect = lambda c, *_: c.subscribe("#", qos=1)
    client.on_message = lambda _, __, m: messages.append((m.topic, m.payload.decode(), m.retain))
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    for _ in range(500):
        if client.is_connected():
            break
        time.sleep(0.02)
    yield messages
    client.disconnect()
    client.loop_stop()
