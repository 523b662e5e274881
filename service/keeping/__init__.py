"""Keeping the data for years: backups, bringing one back, everything of a clinic or a patient as files, and its end."""
