"""The clinic's own code over past files, with no database.

`past` reads the files and the settings, and replays the signals; `evenings` tells of each
patient and date what the review would have shown that evening.
"""
