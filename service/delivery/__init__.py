"""Delivery: claim, recheck, hand over, settle; receipts and replies; what to do when nobody knows."""
