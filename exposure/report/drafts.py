"""Reports that are being written: kept for their writer until they are sent, a few days at most."""

from datetime import datetime, timedelta
from uuid import UUID

from exposure.report.models import ReportDraft
from exposure.report.submission import storable

KEPT = timedelta(days=7)
MOST_DRAFTS = 20  # of one writer; the oldest make room

Texts = dict[str, str]


def keep_draft(user_id: int, submission_id: UUID, fields: Texts, answers: Texts, *, at: datetime) -> None:
    """Keep what was written so far, in the place of what was kept of this report before."""
    ReportDraft.objects.update_or_create(
        user_id=user_id,
        submission_id=submission_id,
        defaults={"fields": storable(fields), "answers": storable(answers), "changed_at": at},
    )
    newest = ReportDraft.objects.filter(user_id=user_id).order_by("-changed_at", "-pk")
    crowded_out = list(newest.values_list("pk", flat=True)[MOST_DRAFTS:])
    ReportDraft.objects.filter(pk__in=crowded_out).delete()


def draft_of(user_id: int, submission_id: UUID, *, at: datetime) -> tuple[Texts, Texts] | None:
    """(fields, answers) as this person wrote them; None where there are none, or too old ones."""
    draft = ReportDraft.objects.filter(
        user_id=user_id, submission_id=submission_id, changed_at__gt=at - KEPT
    ).first()  # fmt: skip
    return (draft.fields, draft.answers) if draft else None


def forget_draft(user_id: int, submission_id: UUID) -> None:
    """It is sent."""
    ReportDraft.objects.filter(user_id=user_id, submission_id=submission_id).delete()


def forget_old_drafts(*, at: datetime) -> None:
    """Whoever's they are, what nobody has gone on with for some days is gone."""
    ReportDraft.objects.filter(changed_at__lte=at - KEPT).delete()
