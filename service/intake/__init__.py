"""Take in what people and machines send: readings, check-ins, caregivers' answers, texts.

Every write is one transaction with its audit line and everything that follows
from it. What cannot be true is refused by field, value and what is accepted.
"""
