"""What a run is handed on as: a film, a report in one file, tables of its measurements.

Only ``whole`` and ``film`` write files; the rest turns what the store keeps into bytes or pictures.
"""
