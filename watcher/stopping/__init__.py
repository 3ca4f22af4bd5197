"""Stopping a print: what is done, whether it worked, and the state told over MQTT.

Nothing here decides: a person does, or the watch that a person armed for one run. A stop that was
sent may still fail, and a stopped printer's nozzle and bed stay hot.
"""

from watcher.stopping.actions import Action, Command, HttpRequest, MqttMessage, Outcome, perform
from watcher.stopping.broker import Broker
from watcher.stopping.state import Announcer

__all__ = [
    "Action",
    "Announcer",
    "Broker",
    "Command",
    "HttpRequest",
    "MqttMessage",
    "Outcome",
    "perform",
]
