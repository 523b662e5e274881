"""Who may come in: staff accounts, signing in, and the keys of machines."""
