"""Text messages understood: the words come in as data, `conversation` asks, `parsing` hears, `days` dates."""
