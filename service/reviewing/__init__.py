"""Build, freeze and sign the weekly review; everything staff do between reviews.

Use cases only: what is decided is in `domain.review`, what is drawn is in `reports`.
"""
