"""Pictures in: one file for each kind of source, all of them iterators of ``Taken`` or ``Missed``.

A source opens what it needs when it is made, so that a wrong name is refused before the night
starts, and lets go of it in ``close``.
"""
