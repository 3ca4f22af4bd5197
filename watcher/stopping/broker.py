"""An MQTT broker (OASIS MQTT 3.1.1), reached with paho-mqtt."""

from __future__ import annotations

import ssl
import threading
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion


@dataclass(frozen=True)
class Broker:
    """Where the broker is and who we are there."""

    host: str
    port: int = 1883
    user: str = ""
    password: str = field(default="", repr=False)
    tls: bool = False

    def shown(self) -> str:
        """Without name and password."""
        return f"{self.host}:{self.port}"

    def client(self) -> mqtt.Client:
        """A client that is not connected yet."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        if self.user:
            client.username_pw_set(self.user, self.password)
        if self.tls:
            client.tls_set_context(ssl.create_default_context())
        return client

    def send(self, topic: str, payload: str, timeout_s: float) -> str:
        """Send one message that the broker must confirm (quality of service 1).

        Empty, or why it was not confirmed.
        """
        client = self.client()
        client.connect_timeout = timeout_s
        answered = threading.Event()
        refusal: list[str] = []

        def connected(_: Any, __: Any, ___: Any, reason: Any, ____: Any) -> None:
            if reason.is_failure:
                refusal.append(str(reason))
            answered.set()

        client.on_connect = connected
        try:
            client.connect(self.host, self.port)
            client.loop_start()
            if not answered.wait(timeout_s):
                return f"the broker did not answer within {timeout_s:g} s"
            if refusal:
                return f"the broker refuses us ({refusal[0]})"
            message = client.publish(topic, payload, qos=1)
            message.wait_for_publish(timeout_s)
            if not message.is_published():
                return f"the broker did not confirm within {timeout_s:g} s"
        except (OSError, ValueError, RuntimeError) as error:
            reason = getattr(error, "strerror", None) or type(error).__name__
            return f"the broker can't be reached ({reason})"
        finally:
            client.disconnect()
            client.loop_stop()
        return ""
