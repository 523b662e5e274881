"""A text provider that is described by settings: no service of one's own stands between."""
