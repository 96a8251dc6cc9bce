"""Shapes that several queries share: a tank, a finding, and which days may be asked for."""

from datetime import date

from tareline.app.answers.days import CauseAnswer, FindingAnswer, MendAnswer
from tareline.app.answers.things import TankAnswer
from tareline.app.context import Context
from tareline.app.projections.accounts import finding_id
from tareline.core.calendar import rfc3339
from tareline.core.weighing.gross_errors import Finding
from tareline.errors import FieldError

MOST_DAYS = 400
FIRST_YEAR, LAST_YEAR = 1970, 2999


def tank_view(context: Context, tank: str) -> TankAnswer:
    """A tank as it is now. Raises FieldError (404)."""
    body = context.need("tank", tank)
    since = context.register.history("tank", tank)[0].at_ms
    return TankAnswer.model_validate({**body, "id": tank, "since": rfc3339(since, str(body["timezone"]))})


def finding_view(feeder: str, finding: Finding, zone: str) -> FindingAnswer:
    """A finding as it is shown: what, where, how large, why, and the one entry that would mend the books."""
    mend = finding.mend
    return FindingAnswer(
        id=finding_id(feeder, finding),
        kind=finding.kind,
        feeder=feeder,
        from_=rfc3339(finding.from_ms, zone),
        to=rfc3339(finding.to_ms, zone),
        after=finding.after_entry or None,
        before=finding.before_entry or None,
        mass_g=finding.size_g,
        sd_g=finding.sd_g,
        deviations=finding.deviations,
        likely=[CauseAnswer(cause=c.name, share=c.share, evidence=c.evidence) for c in finding.causes],
        mend=None
        if mend is None
        else MendAnswer(
            kind=mend.kind,
            at=rfc3339(mend.at_ms, zone),
            corrects=mend.corrects,
            mass_g=mend.mass_g,
            sd_g=mend.sd_g,
        ),
    )


def within_calendar(field: str, day: date) -> None:
    """Raise FieldError for a date that no book can have."""
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise FieldError(field, f"expected a year from {FIRST_YEAR} to {LAST_YEAR}; found {day}")


def check_period(start: date, end: date) -> None:
    """Raise FieldError for days that can't be shown at once, both ends included."""
    within_calendar("start", start)
    within_calendar("end", end)
    if end < start:
        raise FieldError("end", f"expected a date from {start} on; found {end}")
    if (end - start).days >= MOST_DAYS:
        raise FieldError("end", f"expected at most {MOST_DAYS} days; found {(end - start).days + 1}")
