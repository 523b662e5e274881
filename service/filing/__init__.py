"""Whole files: opened, their columns matched, tried, taken in, and taken back.

Every row goes by the same use case as what is sent or typed alone: this room knows of files, and of no care.
"""
