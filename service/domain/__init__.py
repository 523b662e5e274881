"""The rules of the job: pure, with no clock, no input or output, and no database."""
