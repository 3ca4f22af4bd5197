"""Tells a broker how the watch stands: a retained message, and a last will for its death."""

from __future__ import annotations

import json
from collections.abc import Mapping

from watcher.stopping.broker import Broker

GONE = json.dumps({"watch": "gone"})
KEEPALIVE_S = 15


class Announcer:
    """Publishes the state of one watch under ``topic`` and connects again by itself.

    The message is retained, so that whoever comes later hears it too; if the watch dies, the
    broker itself says ``{"watch": "gone"}`` in its place (MQTT 3.1.1, 3.1.2.5 and 3.3.1.3).
    """

    def __init__(self, broker: Broker, topic: str) -> None:
        self._topic = topic
        self._last = ""
        self._client = broker.client()
        self._client.will_set(topic, GONE, qos=1, retain=True)
        self._client.reconnect_delay_set(1, 60)
        # After a break the last will was said in our name: say anew how things are.
        self._client.on_connect = lambda *_: self._publish()
        self._client.connect_async(broker.host, broker.port, KEEPALIVE_S)
        self._client.loop_start()

    @property
    def connected(self) -> bool:
        """Whether the broker hears us."""
        return self._client.is_connected()

    def tell(self, state: Mapping[str, str | float | None]) -> None:
        """Publish the state where it changed; while the broker is away the newest one waits."""
        text = json.dumps(dict(state))
        if text != self._last:
            self._last = text
            self._publish()

    def close(self) -> None:
        """Say that the watch ended in order."""
        if self._client.is_connected():
            self._last = json.dumps({"watch": "ended"})
            message = self._client.publish(self._topic, self._last, qos=1, retain=True)
            message.wait_for_publish(2.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _publish(self) -> None:
        if self._last and self._client.is_connected():
            self._client.publish(self._topic, self._last, qos=1, retain=True)
