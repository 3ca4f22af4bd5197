"""The page: watched prints, the time-lapse of each, alarms and stopping, and who may come in."""

from watcher.page.answers import answer_to
from watcher.page.app import create_app
from watcher.page.door import Door, door_of, is_loopback, set_passphrase
from watcher.page.server import Server, listen
from watcher.page.words import RunInWords, in_words

__all__ = [
    "Door",
    "RunInWords",
    "Server",
    "answer_to",
    "create_app",
    "door_of",
    "in_words",
    "is_loopback",
    "listen",
    "set_passphrase",
]
