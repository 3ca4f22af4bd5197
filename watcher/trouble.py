"""Errors for people: one sentence that says what is wrong and what to do."""

from __future__ import annotations


class Trouble(Exception):
    """Something the user can mend; the command line prints it and exits with status 2."""

    def __init__(self, what: str, do: str = "") -> None:
        super().__init__(f"{what} {do}".strip())


class BadToolpath(Trouble):
    """The G-code can't be used."""


class BadSetup(Trouble):
    """The setup of camera and machine can't be used."""


class BadNight(Trouble):
    """A recorded night, video or folder can't be used."""


class BadSource(Trouble):
    """A camera or another source of pictures doesn't answer as it should."""


class BadExport(Trouble):
    """What was asked for can't be made of the run, or can't be written."""


class BadStore(Trouble):
    """The data folder can't be opened, read or written."""


class FullDisk(BadStore):
    """There is no room left for pictures."""


class BadConfig(Trouble):
    """The configuration can't be used."""


class BadAccess(Trouble):
    """The page would be open to people who should not see it."""


class BadFacts(Trouble):
    """What a person says about spool, material, drying or a run can't be used."""
