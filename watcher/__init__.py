"""Watches a filament printer through a webcam and says in time, with a reason, when to stop."""
