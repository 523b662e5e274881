"""Try the settings on past data before trusting them: files in, signals out, no database.

Promises to run strictly day by day, never looking at a later row than the day it
is on; to report every row it could not take by line, field, value and what is
accepted, without letting it stop the others; and to use the very code that runs
when a reading arrives: the rows' reader, the rule for several readings of a date, and
the engine are the clinic's own.
"""
