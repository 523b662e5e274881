"""Keeping the data for years: backups, bringing one back, and everything of a clinic as files that anybody can read."""
