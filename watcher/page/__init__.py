"""The page: a list of watched prints and the time-lapse of each. It only reads the store."""

from watcher.page.app import create_app
from watcher.page.server import Server, listen
from watcher.page.words import RunInWords, in_words

__all__ = ["RunInWords", "Server", "create_app", "in_words", "listen"]
