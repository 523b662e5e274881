"""What the review says over the API. Pressures in mmHg, weights in kg, dates local to the patient."""

from __future__ import annotations

from marshmallow import Schema, fields

from service.domain.vocabulary import (
    AdjustmentKind,
    Lane,
    Outcome,
    PauseCause,
    Response,
    SafetySign,
    SignalKind,
    SilenceCause,
    Swelling,
    TaskKind,
    WindowState,
)
from service.web.api.fields import asked, instant, text, word


class PanelQuery(Schema):
    lane = word(Lane)


class ReviewQuery(Schema):
    days = asked(1, 366, load_default=30)


class AdherenceOut(Schema):
    """Readings received of those expected; excused days are in neither number."""

    received = fields.Integer()
    expected = fields.Integer()
    excused = fields.Integer()


class SilenceNowOut(Schema):
    first_day = fields.Date()
    last_day = fields.Date()
    missed = fields.Integer()
    cause = word(SilenceCause)


class PauseNowOut(Schema):
    cause = word(PauseCause)
    from_day = fields.Date()
    to_day = fields.Date(allow_none=True)


class SignalOut(Schema):
    kind = word(SignalKind)
    sentence = fields.String()
    since = fields.Date()


class TrendOut(Schema):
    """Where the pressure is, and where it may be going; null is "not known"."""

    level = fields.Float(allow_none=True)
    reference = fields.Float(allow_none=True)
    reference_is_set = fields.Boolean()
    days_to_limit = fields.Float(allow_none=True)
    sentence = fields.String()
    signals = fields.List(fields.Nested(SignalOut))
    response = word(Response, allow_none=True)
    response_sentence = fields.String()


class WeightOut(Schema):
    now_kg = fields.Float()
    change_kg = fields.Float()
    on = fields.Date()


class OpenTaskOut(Schema):
    id = fields.UUID()
    kind = word(TaskKind)
    sentence = fields.String()
    since = fields.Date()


class LastAdjustmentOut(Schema):
    made_on = fields.Date()
    what = fields.String()
    response = word(Response, allow_none=True)
    response_sentence = fields.String()
    follow_up_on = fields.Date(allow_none=True)
    follow_up_what = fields.String()


class SignedOut(Schema):
    id = fields.UUID()
    by = fields.String()
    at = instant()
    outcome = word(Outcome)


class EntryOut(Schema):
    """One patient's row of the weekly review."""

    patient_id = fields.UUID()
    name = fields.String()
    clinic_ref = fields.String()
    lane = word(Lane)
    why = fields.String()
    also = fields.List(fields.String())
    today = fields.Date(attribute="summary.today")
    adherence = fields.Nested(AdherenceOut, attribute="summary.adherence")
    trend = fields.Nested(TrendOut, attribute="summary.judged")
    upper = fields.Float(attribute="summary.upper", allow_none=True)
    lower = fields.Float(attribute="summary.lower", allow_none=True)
    last_reading_on = fields.Date(attribute="summary.last_reading_on", allow_none=True)
    last_diary_on = fields.Date(attribute="summary.last_diary_on", allow_none=True)
    weight = fields.Nested(WeightOut, attribute="summary.weight", allow_none=True)
    symptoms = fields.String(attribute="summary.symptoms")
    silence = fields.Nested(SilenceNowOut, attribute="summary.silence", allow_none=True)
    pause = fields.Nested(PauseNowOut, attribute="summary.pause", allow_none=True)
    adjustment = fields.Nested(LastAdjustmentOut, allow_none=True)
    tasks = fields.List(fields.Nested(OpenTaskOut))
    signed = fields.Nested(SignedOut, allow_none=True)
    carried_over = fields.Boolean()
    days_since_review = fields.Integer(allow_none=True)


class LaneOut(Schema):
    lane = word(Lane)
    patients = fields.List(fields.Nested(EntryOut))


class PanelOut(Schema):
    """The weekly review: every active patient, in four lanes, in the order of attention."""

    week = fields.Date()
    today = fields.Date()
    as_of = instant()
    signed = fields.Integer()
    patients = fields.Integer()
    lanes = fields.List(fields.Nested(LaneOut))


class DayOut(Schema):
    """One local date; null is "nothing was given"."""

    day = fields.Date()
    window = word(WindowState, allow_none=True)
    wants_reading = fields.Boolean()
    readings = fields.Integer()
    pa_systolic = fields.Float(allow_none=True)
    pa_diastolic = fields.Float(allow_none=True)
    pa_mean = fields.Float(allow_none=True)
    heart_rate = fields.Float(allow_none=True)
    remarks = fields.List(fields.String())
    checkin = fields.Boolean()
    breathlessness = fields.Integer(allow_none=True)
    extra_pillows = fields.Integer(allow_none=True)
    woke_breathless = fields.Boolean(allow_none=True)
    swelling = word(Swelling, allow_none=True)
    weight_kg = fields.Float(allow_none=True)
    light_headed = fields.Boolean(allow_none=True)
    tiredness = fields.Integer(allow_none=True)
    missed_medicines = fields.Boolean(allow_none=True)
    safety_signs = fields.List(word(SafetySign))
    note = fields.String()
    pause = word(PauseCause, allow_none=True)


class SilencePastOut(Schema):
    first_day = fields.Date()
    last_day = fields.Date()
    missed = fields.Integer()
    cause = word(SilenceCause)
    ended_at = instant(allow_none=True)


class AdjustmentOut(Schema):
    id = fields.UUID()
    kind = word(AdjustmentKind)
    what = fields.String()
    made_on = fields.Date()
    by = fields.String()
    recorded_at = instant()
    follow_up_on = fields.Date(allow_none=True)
    follow_up_what = fields.String()
    followed_up_at = instant(allow_none=True)


class AmendmentOut(Schema):
    """What became known of a signed day after it was signed."""

    day = fields.Date()
    sentence = fields.String()


class SignOffOut(Schema):
    """A signed review, with what was seen frozen in it."""

    id = fields.UUID()
    week = fields.Date()
    by = fields.String()
    at = instant()
    outcome = word(Outcome)
    note = fields.String()
    next_look = fields.Date(allow_none=True)
    frozen = fields.Dict()
    frozen_hash = fields.String()
    amendments = fields.List(fields.Nested(AmendmentOut))


class PatientReviewOut(Schema):
    """One patient: the row of the panel, and every day asked for with diary and pressures joined."""

    entry = fields.Nested(EntryOut)
    days = fields.List(fields.Nested(DayOut))
    silences = fields.List(fields.Nested(SilencePastOut))
    adjustments = fields.List(fields.Nested(AdjustmentOut))
    as_of = instant()


class SignOffIn(Schema):
    outcome = word(Outcome, required=True)
    note = text(4000, required=False, load_default="")
    next_look = fields.Date(load_default=None, allow_none=True)


class AdjustmentIn(Schema):
    """What changed, in free text including any dose; `corrects` names an adjustment that this one supersedes."""

    kind = word(AdjustmentKind, required=True)
    what = text(2000)
    made_on = fields.Date(required=True)
    follow_up_on = fields.Date(load_default=None, allow_none=True)
    follow_up_what = text(2000, required=False, load_default="")
    corrects = fields.UUID(load_default=None, allow_none=True)


class WeekOut(Schema):
    """Who was reviewed in a week, and who was not."""

    first = fields.Date()
    signed = fields.Integer()
    enrolled = fields.Integer()
    unsigned = fields.List(fields.String())


class CoverageOut(Schema):
    weeks = fields.List(fields.Nested(WeekOut))


class ShareOut(Schema):
    part = fields.Integer()
    whole = fields.Integer()


class WaitingOut(Schema):
    median_days = fields.Float(allow_none=True)
    known = fields.Integer()
    open = fields.Integer()


class MeasuresOut(Schema):
    """How the clinic is doing over the last weeks; null is "cannot be known"."""

    readings = fields.Nested(ShareOut)
    reviews = fields.Nested(ShareOut)
    first_contact = fields.Nested(WaitingOut)
    to_settled = fields.Nested(WaitingOut)
    signals = fields.Integer()
    episodes = fields.Integer()
    signals_per_100 = fields.Float(allow_none=True)
    patient_weeks = fields.Float()
    nights = fields.Integer()
