"""Build, freeze and sign the weekly review; everything staff do between reviews.

Use cases only: what is decided is in `domain.review`, what is drawn is in `reports`.
"""

from service.reviewing.panel import Panel, PanelEntry, Signed, build_panel
from service.reviewing.patient import PatientReview, build_patient
from service.reviewing.refreshing import Refreshed, refresh
from service.reviewing.signing import AlreadySigned, sign

__all__ = [
    "AlreadySigned",
    "Panel",
    "PanelEntry",
    "PatientReview",
    "Refreshed",
    "Signed",
    "build_panel",
    "build_patient",
    "refresh",
    "sign",
]
