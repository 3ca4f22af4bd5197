"""After the print: what changed, what it did, what to change next and what failures cost."""

from watcher.after.changes import Change, Changes, changes, varying
from watcher.after.cost import Month, Spent, by_month
from watcher.after.curves import Point, by_layer, step_through
from watcher.after.outcomes import Effect, Group, effect, fisher_p
from watcher.after.suggest import Suggestion, suggest

__all__ = [
    "Change",
    "Changes",
    "Effect",
    "Group",
    "Month",
    "Point",
    "Spent",
    "Suggestion",
    "by_layer",
    "by_month",
    "changes",
    "effect",
    "fisher_p",
    "step_through",
    "suggest",
    "varying",
]
