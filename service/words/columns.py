"""What the columns of files are called by people, in the reader's language: one table for page and download."""

from __future__ import annotations

from collections.abc import Mapping

from service.words.language import Language


def _(message: str) -> str:
    """Marks a message for the catalogue; it is translated when it is read."""
    return message


COLUMNS: Mapping[str, str] = {
    "agreed_how": _("How they agreed to messages"),
    "agreed_on": _("Date of that consent"),
    "answers": _("Answers"),
    "born_on": _("Date of birth"),
    "breathlessness": _("Breathlessness, 0 to 10"),
    "caregiver_agreed_how": _("How the caregiver agreed to messages"),
    "caregiver_allowed_how": _("How the patient allowed this caregiver"),
    "caregiver_name": _("Caregiver's name"),
    "caregiver_relation": _("How the caregiver is related"),
    "caregiver_telephone": _("Caregiver's telephone"),
    "cause": _("Cause"),
    "clinic_ref": _("Clinic's number"),
    "closes": _("Hours: until"),
    "code": _("LOINC code"),
    "due": _("Hours: reminder at"),
    "extra_pillows": _("Pillows more or fewer than usual"),
    "file": _("File"),
    "from_date": _("First day"),
    "full_belly": _("Swollen belly"),
    "header": _("Columns"),
    "heart_rate": _("Heart rate"),
    "is_other": _("Known already"),
    "kind": _("Kind"),
    "language": _("Language"),
    "light_headed": _("Light-headed"),
    "line": _("Row"),
    "local_date": _("Date"),
    "map": _("Columns"),
    "missed_medicines": _("Missed medicines"),
    "name": _("Name"),
    "note": _("Note"),
    "opens": _("Hours: from"),
    "pa_diastolic": _("PA diastolic"),
    "pa_mean": _("PA mean"),
    "pa_systolic": _("PA systolic"),
    "patient": _("Patient: the clinic's number"),
    "posture": _("Position of the body"),
    "pressure_unit": _("Unit of the pressures"),
    "safety_signs": _("Signs of an emergency"),
    "sheet": _("Sheet"),
    "slept_in_chair": _("Slept in a chair"),
    "source_ref": _("Number of the reading elsewhere"),
    "swelling": _("Swelling of the legs"),
    "taken_at": _("Taken at"),
    "telephone": _("Telephone"),
    "tiredness": _("Tiredness, 0 to 10"),
    "to_date": _("Last day"),
    "unit": _("Unit"),
    "value": _("Value"),
    "weight": _("Weight"),
    "weight_confirmed": _("Weight was confirmed"),
    "weight_unit": _("Unit of the weight"),
    "woke_breathless": _("Woke up breathless"),
    "zone": _("Time zone"),
}
# Fields that a use case calls otherwise than the file does.
_OTHERS = {"caregiver.name": "caregiver_name", "caregiver.relation": "caregiver_relation",
           "caregiver.address": "caregiver_telephone", "address": "telephone", "how": "agreed_how",
           "given_on": "agreed_on"}  # fmt: skip


def called(say: Language, name: str) -> str:
    """`Date of birth` for `born_on`; a name that is not in the table, as it is."""
    found = COLUMNS.get(_OTHERS.get(name, name))
    return name.replace("_", " ") if found is None else say.gettext(found)
