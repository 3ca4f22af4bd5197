"""The page: a list of watched prints and the time-lapse of each. It reads the store, and keeps only
what a person answers."""

from watcher.page.answers import answer_to
from watcher.page.app import create_app
from watcher.page.server import Server, listen
from watcher.page.words import RunInWords, in_words

__all__ = ["RunInWords", "Server", "answer_to", "create_app", "in_words", "listen"]
