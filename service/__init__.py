"""Neaptide: reading reminders, symptom diary and weekly review for a heart-failure clinic."""
