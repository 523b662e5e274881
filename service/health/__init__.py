"""What an operator must know: whether the service is fit to be used, and what needs a person's attention.

Findings hold sentences and numbers, never a name or a clinical value. They are read from
the database, so that it does not matter which process is asked. Nothing is repaired here.
"""
