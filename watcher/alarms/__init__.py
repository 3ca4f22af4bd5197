"""Messages to people: what is said, to whom, when again, and proof of life for others.

Pure in ``concern`` and ``rounds``; the network is in ``services``, ``heartbeat`` and ``post``.
"""

from watcher.alarms.concern import Alarm, Concern, Urgency
from watcher.alarms.post import Post
from watcher.alarms.rounds import Manners, Rounds
from watcher.alarms.services import Delivery, Service, Services

__all__ = [
    "Alarm",
    "Concern",
    "Delivery",
    "Manners",
    "Post",
    "Rounds",
    "Service",
    "Services",
    "Urgency",
]
