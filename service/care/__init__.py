"""What several use cases change, each change with its audit line: windows, silences, pauses, tasks, consents, contacts.

Every function works inside the caller's transaction.
"""
