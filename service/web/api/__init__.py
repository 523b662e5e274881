"""The API under /api/v1. `register` puts it into an application."""
