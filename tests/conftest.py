"""What holds for all tests."""

from hypothesis import settings

# The machine may be busy: a property holds or not, however long an example takes.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
