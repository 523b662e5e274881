"""Laboratory results and vital signs: how each is coded, in which units it comes, and what can be true.

Promises that a result is kept as it was given, value and unit, and compared in one unit a
kind; that figures are decimals, since a float of 1.4 − 1.1 fails "a rise of 0.3"; and that BNP and
NT-proBNP are two kinds and never one series. Bounds say what no living person's result
exceeds and are our own numbers, common practice, no source: nothing here is a limit of treatment.

Codes: LOINC and UCUM, as in public FHIR profiles and value sets.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation

from service.domain.validation import Refused
from service.domain.vocabulary import ArmPosture, ResultKind, Rhythm

K = ResultKind


@dataclass(frozen=True, slots=True)
class Measure:
    """One kind of result: the unit it is compared in, other units with their factors to it, LOINC codes, bounds."""

    unit: str  # UCUM; what `least` and `most` are in
    least: Decimal
    most: Decimal
    loinc: Mapping[str, str]  # code → the UCUM unit that it stands for where a row names none
    factors: Mapping[str, Decimal]  # other UCUM units → × this is the value in `unit`
    is_whole: bool = False  # a class or grade


def _measure(
    unit: str,
    least: str,
    most: str,
    loinc: Mapping[str, str],
    factors: Mapping[str, str] | None = None,
    *,
    is_whole: bool = False,
) -> Measure:
    others = {other: Decimal(factor) for other, factor in (factors or {}).items()}
    return Measure(unit, Decimal(least), Decimal(most), loinc, others, is_whole)


MG, MMOL, EGFR, NITROGEN = "mg/dL", "mmol/L", "mL/min/{1.73_m2}", "mg/dL{urea_nitrogen}"
MEASURES: Mapping[ResultKind, Measure] = {
    # 1 mg/dL creatinine = 88.4 µmol/L
    K.CREATININE: _measure("umol/L", "10", "3000", {"14682-9": "umol/L", "2160-0": MG}, {MG: "88.4"}),
    # One national profile sends a unit that is no valid UCUM: taken in, never sent.
    K.EGFR: _measure(EGFR, "1", "250", {"98979-8": EGFR, "62238-1": EGFR}, {"mL/min/(1.73)": "1"}),
    K.POTASSIUM: _measure(MMOL, "1", "12", {"2823-3": MMOL, "6298-4": MMOL}, {"meq/L": "1"}),
    K.SODIUM: _measure(MMOL, "80", "200", {"2951-2": MMOL}, {"meq/L": "1"}),
    # Urea; urea nitrogen (3094-0) × 0.357 is urea in mmol/L.
    K.UREA: _measure(MMOL, "0.3", "120", {"22664-7": MMOL, "3094-0": NITROGEN}, {NITROGEN: "0.357"}),
    K.BNP: _measure("pg/mL", "1", "50000", {"30934-4": "pg/mL"}, {"ng/L": "1"}),
    K.NT_PROBNP: _measure("pg/mL", "1", "300000", {"33762-6": "pg/mL"}, {"ng/L": "1"}),
    K.HAEMOGLOBIN: _measure("g/dL", "2", "26", {"718-7": "g/dL"}, {"g/L": "0.1"}),
    K.FERRITIN: _measure("ng/mL", "1", "20000", {"2276-4": "ng/mL"}, {"ug/L": "1"}),
    K.SYSTOLIC: _measure("mm[Hg]", "40", "300", {"8480-6": "mm[Hg]"}),
    K.DIASTOLIC: _measure("mm[Hg]", "20", "200", {"8462-4": "mm[Hg]"}),
    K.SATURATION: _measure("%", "30", "100", {"2708-6": "%", "59408-5": "%"}),
    K.WEDGE: _measure("mm[Hg]", "0", "60", {"75994-4": "mm[Hg]"}),
    K.RIGHT_ATRIAL: _measure("mm[Hg]", "0", "40", {"8400-4": "mm[Hg]"}),
    K.CARDIAC_OUTPUT: _measure("L/min", "0.5", "20", {"8741-1": "L/min"}),
    K.CATHETER_DIASTOLIC: _measure("mm[Hg]", "1", "150", {}),
    K.EJECTION_FRACTION: _measure("%", "3", "90", {"10230-1": "%"}),
    K.NYHA: _measure("{class}", "1", "4", {"88021-1": "{class}"}, is_whole=True),
    K.MRC: _measure("{grade}", "1", "5", {"98070-6": "{grade}"}, is_whole=True),
}  # fmt: skip


RHYTHM_LOINC = "8884-9"
KIND_OF_LOINC: Mapping[str, ResultKind] = {
    **{code: kind for kind, one in MEASURES.items() for code in one.loinc},
    RHYTHM_LOINC: K.RHYTHM,
}

# Units as people write them; these spellings are taken in too.
WRITTEN: Mapping[str, str] = {
    "umol/L": "µmol/L",
    "mm[Hg]": "mmHg",
    "ug/L": "µg/L",
    "meq/L": "mEq/L",
    EGFR: "mL/min/1.73 m²",
    "mL/min/(1.73)": "mL/min/1.73 m²",
    NITROGEN: "mg/dL urea nitrogen",
    "{class}": "",
    "{grade}": "",
}

# PA pressures and systemic pressures must never stand in for each other.
PA_CODES = frozenset({"8440-0", "8385-7", "8414-5", "76284-9"})


@dataclass(frozen=True, slots=True)
class Result:
    """A value as it was given, and in the unit its kind is compared in."""

    kind: ResultKind
    value: Decimal
    unit: str
    compared: Decimal


@dataclass(frozen=True, slots=True)
class TimedResult:
    """A result, when it was taken, and the one of its kind and posture before it, where there is one."""

    at: datetime
    result: Result
    before: TimedResult | None = None
    posture: ArmPosture | None = None  # of a pressure of the arm


@dataclass(frozen=True, slots=True)
class NewResult:
    """A result as it came: of a `kind` or a LOINC `code`, one of the two; `unit` in UCUM, None is the kind's own."""

    patient: uuid.UUID | str  # our id, or the clinic's reference
    taken_at: datetime
    value: str
    kind: ResultKind | None = None
    code: str | None = None
    unit: str | None = None
    posture: ArmPosture | None = None
    note: str = ""


def read_rhythm(value: object) -> Rhythm:
    """The one kind of result that is a word. Raises Refused."""
    word = _joined(str(value))
    if word not in set(Rhythm):
        raise Refused("value", value, "one of %(words)s", words=tuple(one.replace("_", " ") for one in Rhythm))
    return Rhythm(word)


def read_kind(given: str) -> ResultKind:
    """A kind by its own word or as people write it: `ejection_fraction`, `Ejection fraction (%)`. Raises Refused."""
    word = _joined(given.partition("(")[0])
    if word not in set(ResultKind):
        raise Refused("kind", given, "one of %(words)s", words=tuple(map(_named, ResultKind)))
    return ResultKind(word)


def _joined(given: str) -> str:
    return "_".join(given.strip().casefold().replace("-", " ").replace("_", " ").split())


def _named(kind: ResultKind) -> str:
    """`ejection fraction (%)`."""
    unit = "" if kind is K.RHYTHM else written(MEASURES[kind].unit)
    return kind.replace("_", " ") + (f" ({unit})" if unit else "")


def written(unit: str) -> str:
    """A UCUM unit as people write it: `mmHg`."""
    return WRITTEN.get(unit, unit)


def _ucum(given: str, units: Sequence[str]) -> str:
    """One of `units`, as UCUM has it or as people write it. Raises Refused."""
    plain = given.strip().replace("μ", "µ")  # the Greek letter for the sign
    for unit in units:
        if plain in {unit, written(unit)} and plain:
            return unit
    if not any(units):
        raise Refused("unit", given, "nothing")
    raise Refused("unit", given, "one of %(words)s", words=tuple(dict.fromkeys(written(unit) for unit in units)))


def read_result(kind: ResultKind, value: object, unit: str | None) -> Result:
    """A number as given; without a unit it is in the kind's own. Raises Refused for `value` or `unit`."""
    measure = MEASURES[kind]
    unit = _ucum(unit, [measure.unit, *measure.factors]) if unit and unit.strip() else measure.unit
    given = decimal("value", value)
    compared = given * measure.factors.get(unit, Decimal(1))
    if measure.is_whole and compared != int(compared):
        raise Refused(
            "value", str(value), "a whole number from %(least)s to %(most)s", least=measure.least, most=measure.most
        )
    if not measure.least <= compared <= measure.most:
        factor = measure.factors.get(unit, Decimal(1))
        least, most = (Decimal(f"{(bound / factor).normalize():f}"[:8]) for bound in (measure.least, measure.most))
        if not written(unit):
            raise Refused("value", str(value), "%(least)s to %(most)s", least=least, most=most)
        raise Refused("value", str(value), "%(least)s to %(most)s %(unit)s", least=least, most=most, unit=written(unit))
    return Result(kind, given, unit, compared)


def kind_of(code: str) -> tuple[ResultKind, str]:
    """What a LOINC code stands for, and the unit it implies. Raises Refused for `code`."""
    kind = KIND_OF_LOINC.get(code.strip())
    if kind is None:
        if code.strip() in PA_CODES:
            raise Refused("code", code, "a result; pulmonary-artery pressures are readings and come in as such")
        raise Refused("code", code, "a LOINC code of %(codes)s", codes=tuple(sorted(KIND_OF_LOINC)))
    return kind, "" if kind is K.RHYTHM else MEASURES[kind].loinc[code.strip()]


def decimal(field: str, given: object) -> Decimal:
    """A plain decimal of at most ten digits, `1.25` or `1,25`; no thousands signs, no exponents. Raises Refused."""
    text = str(given).strip().replace(",", ".")
    # 1,234 is more than a thousand to some and little more than one to others: nobody guesses.
    of_thousands = re.fullmatch(r"[1-9]\d{0,2},\d{3}", str(given).strip(), re.ASCII)
    if of_thousands or isinstance(given, bool) or not text or len(text) > 11 or not set(text) <= set("0123456789."):
        raise Refused(field, given, "a number such as 1.25")
    try:
        return Decimal(text)
    except InvalidOperation:
        raise Refused(field, given, "a number such as 1.25") from None
