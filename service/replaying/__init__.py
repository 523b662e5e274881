"""Try the settings on past data before trusting them: files in, signals out, no database.

Promises to run strictly day by day, never looking at a later row than the day it
is on; to report every row it could not take by line, field, value and what is
accepted, without letting it stop the others; and to use the very code that runs
when a reading arrives.
"""

from service.replaying.diary_rows import Diaries, read_diary
from service.replaying.options import Options, read_options
from service.replaying.rows import Readings, Rejected, read_readings
from service.replaying.running import Replayed, Told, replay

__all__ = [
    "Diaries",
    "Options",
    "Readings",
    "Rejected",
    "Replayed",
    "Told",
    "read_diary",
    "read_options",
    "read_readings",
    "replay",
]
