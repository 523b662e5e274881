"""The kidney's figures: eGFR by CKD-EPI 2021, and stages of acute kidney injury by KDIGO 2012.

Promises figures, never advice: a stage is a fact about two results, said with both. Creatinine is
compared in decimals of one unit: in mg/dL where both results were given in it, else in µmol/L.

Sources: CKD-EPI 2021 creatinine equation (National Kidney Foundation's page of it); KDIGO Clinical
Practice Guideline for Acute Kidney Injury 2012, section 2.1, with its own µmol/L figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal

from service.domain.record.results import TimedResult
from service.domain.vocabulary import Sex

UMOL_PER_MG = Decimal("88.4")
YOUNGEST = 18  # the equation is for adults


def egfr(creatinine: Decimal, sex: Sex, age: int) -> float | None:
    """mL/min/1.73 m² from creatinine in µmol/L; None below 18 years, for whom the equation was not made."""
    if age < YOUNGEST:
        return None
    woman = sex is Sex.FEMALE
    kappa, alpha = (0.7, -0.241) if woman else (0.9, -0.302)
    ratio = float(creatinine / UMOL_PER_MG) / kappa
    figure: float = 142 * min(ratio, 1.0) ** alpha * max(ratio, 1.0) ** -1.2 * 0.9938**age
    return figure * 1.012 if woman else figure


@dataclass(frozen=True, slots=True)
class KidneyInjury:
    """The stage that the newest result reaches, and the earlier result it was compared with."""

    stage: int  # 1, 2 or 3
    earlier: TimedResult
    newest: TimedResult


SHORT, LONG = timedelta(hours=48), timedelta(days=7)


def injury(series: Sequence[TimedResult]) -> KidneyInjury | None:
    """The highest KDIGO stage of the newest result against any of the 7 days before it; None where there is none.

    `series` in any order. Stage 1: + 0.3 mg/dL (26.5 µmol/L) within 48 hours, or 1.5 times within 7 days;
    2: 2.0 times; 3: 3.0 times, or 4.0 mg/dL (353.6 µmol/L) once there is an injury at all.
    None says nothing of the kidney where there was nothing to compare with.
    """
    if not series:
        return None
    newest = max(series, key=lambda one: one.at)
    found = [
        KidneyInjury(stage, earlier, newest)
        for earlier in series
        if timedelta(0) < newest.at - earlier.at <= LONG and (stage := _stage(earlier, newest))
    ]
    return max(found, key=lambda one: (one.stage, one.earlier.at), default=None)


def _stage(earlier: TimedResult, newest: TimedResult) -> int:
    in_mg = earlier.result.unit == newest.result.unit == "mg/dL"
    before, now = (one.result.value if in_mg else one.result.compared for one in (earlier, newest))
    rise, ceiling = (Decimal("0.3"), Decimal("4.0")) if in_mg else (Decimal("26.5"), Decimal("353.6"))
    quick = newest.at - earlier.at <= SHORT and now - before >= rise
    if now >= 3 * before or ((quick or 2 * now >= 3 * before) and now >= ceiling):
        return 3
    if now >= 2 * before:
        return 2
    return 1 if quick or 2 * now >= 3 * before else 0
