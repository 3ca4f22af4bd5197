"""Commands around a print: before it starts, what is kept of it, and what is learnt from it."""

import click

from watcher.desk.before import before
from watcher.desk.chamber import chamber
from watcher.desk.deleting import delete
from watcher.desk.runs import compare, cost, note
from watcher.desk.spools import spool

COMMANDS: tuple[click.Command, ...] = (before, chamber, spool, note, compare, cost, delete)
