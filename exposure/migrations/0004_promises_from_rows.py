"""What waited in columns and tasks becomes promises; tasks come with their history. Running follow-ups are planned anew by
the next rounds, and windows that have not closed yet are noticed when they do."""

from datetime import UTC, datetime, timedelta

from django.db import migrations
from django.utils import timezone

BATCH = 1000
BY, ORIGIN = "command:migrate", "upgrade"
LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)
OLD_LOOK_BACK = timedelta(hours=36)  # what the release before looked at, when no round has left its mark


def forwards(apps, schema_editor):
    model = {name: apps.get_model("exposure", name) for name in MODELS}
    now = timezone.now()
    _tasks(model)
    _reports(model, now)
    _exposures(model, now)
    _looks(model, now)
    _closings(model, now)
    running = model["FollowUp"].objects.filter(ended_at=None).values_list("pk", flat=True)
    rows = [model["Planned"](follow_up_id=key, at=LONG_AGO) for key in running]
    model["Planned"].objects.bulk_create(rows, batch_size=BATCH, ignore_conflicts=True)


MODELS = (
    "Alert", "Breach", "Check", "Exposure", "FollowUp", "Heartbeat", "HistoricalPromise", "HistoricalTask", "Planned",
    "Promise", "Rung", "Task", "Told",
)


def _tasks(model):
    tasks = model["Task"].objects.select_related("exposure__follow_up", "breach")
    versions = {}
    for task in tasks.order_by("pk").iterator(chunk_size=BATCH):
        promise = model["Promise"].objects.create(uid=task.uid, **_as_promise(task))
        versions[task.pk] = promise
    history = []
    for version in model["HistoricalTask"].objects.order_by("history_id").iterator(chunk_size=BATCH):
        promise = versions.get(version.id)
        if promise is None:
            continue
        values = {
            **{field: getattr(promise, field) for field in ("site_id", "kind", "key", "worker_id", "asked_at")},
            "id": promise.pk,
            "uid": promise.uid,
            "title": version.title,
            "basis": version.starts_from[:100],
            "breach_id": version.breach_id,
            "exposure_id": version.exposure_id,
            "not_before": version.not_before,
            "due_at": version.due_at,
            "kept_at": version.completed_at,
            "kept_by_id": version.completed_by_id,
            "void_at": version.dropped_at if version.completed_at is None else None,
            "note": version.note,
        }
        kept = ("history_date", "history_change_reason", "history_type", "history_user_id", "origin")
        values |= {field: getattr(version, field) for field in kept}
        history.append(model["HistoricalPromise"](**values))
    model["HistoricalPromise"].objects.bulk_create(history, batch_size=BATCH)


def _as_promise(task):
    worker = task.exposure.follow_up.worker_id if task.exposure_id else task.breach.worker_id
    review = task.exposure_id is None
    return {
        "site_id": task.site_id,
        "kind": "review" if review else "task",
        "key": f"{task.code}:{task.pk}" if review else task.code,
        "title": task.title,
        "breach_id": None if task.exposure_id else task.breach_id,
        "exposure_id": task.exposure_id,
        "worker_id": worker,
        "asked_at": task.due_at or task.not_before or timezone.now(),
        "not_before": task.not_before,
        "due_at": task.due_at,
        "basis": task.starts_from[:100],
        "kept_at": task.completed_at,
        "kept_by_id": task.completed_by_id,
        "void_at": task.dropped_at if task.completed_at is None else None,
        "void_because": "plan" if task.dropped_at else "",
        "note": task.note,
        # What was late has its alert already.
        "noticed_at": task.due_at if task.due_at and task.due_at <= timezone.now() else None,
    }


def _reports(model, now):
    told = dict(model["Told"].objects.values_list("breach", "recorded_at"))
    promises = []
    for breach in model["Breach"].objects.filter(drill=False, withdrawn_at=None).iterator(chunk_size=BATCH):
        common = {"site_id": breach.site_id, "worker_id": breach.worker_id, "breach_id": breach.pk}
        common |= {"asked_at": breach.reported_at, "basis": "after report"}
        if breach.confirm_due_at is not None:
            promises.append(
                model["Promise"](
                    kind="confirm",
                    due_at=breach.confirm_due_at,
                    kept_at=breach.confirmed_at,
                    kept_by_id=breach.confirmed_by_id,
                    noticed_at=_noticed(breach.confirm_due_at, now),
                    **common,
                )
            )
        if breach.told_due_at is not None or breach.pk in told:
            due_at = breach.told_due_at or breach.reported_at
            promises.append(
                model["Promise"](
                    kind="tell", due_at=due_at, kept_at=told.get(breach.pk), noticed_at=_noticed(due_at, now), **common
                )
            )
    _create(model, promises, now)


def _exposures(model, now):
    promises = []
    for exposure in model["Exposure"].objects.filter(breach=None).select_related("follow_up"):
        exposure.entered_at = _entered(model, exposure) or exposure.occurred_at
        model["Exposure"].objects.filter(pk=exposure.pk).update(entered_at=exposure.entered_at)
        if exposure.told_due_at is None and exposure.told_at is None:
            model["Exposure"].objects.filter(pk=exposure.pk).update(told_at=exposure.entered_at)
        if exposure.told_due_at is not None and exposure.withdrawn_at is None:
            promises.append(
                model["Promise"](
                    kind="tell",
                    site_id=exposure.follow_up.site_id,
                    worker_id=exposure.follow_up.worker_id,
                    exposure_id=exposure.pk,
                    asked_at=exposure.entered_at,
                    due_at=exposure.told_due_at,
                    noticed_at=_noticed(exposure.told_due_at, now),
                    basis="after recording",
                )
            )
    _create(model, promises, now)


def _entered(model, exposure):
    versions = model["Exposure"]._meta.apps.get_model("exposure", "HistoricalExposure").objects
    first = versions.filter(id=exposure.pk).order_by("history_id").first()
    return first.history_date if first else None


def _looks(model, now):
    promises = []
    seen = model["Alert"].objects.filter(closed_at=None, next_look_at__isnull=False)
    for alert in seen.select_related("breach", "follow_up"):
        worker = alert.worker_id or (alert.follow_up or alert.breach).worker_id
        promises.append(
            model["Promise"](
                kind="look",
                site_id=alert.site_id,
                worker_id=worker,
                alert_id=alert.pk,
                asked_at=alert.acknowledged_at or now,
                due_at=alert.next_look_at,
                urgent=alert.urgent,
                basis="next look",
            )
        )
    _create(model, promises, now)


def _closings(model, now):
    beat = model["Heartbeat"].objects.filter(name="sweep").first()
    since = beat.at if beat else now - OLD_LOOK_BACK
    checks = model["Check"].objects.filter(withdrawn_at=None, closes_at__gt=since)
    rungs = []
    for key, closes_at in checks.values_list("pk", "closes_at").iterator(chunk_size=BATCH):
        rung = model["Rung"](check_row_id=key, kind="closed", at=closes_at)
        rung.recorded_at, rung.recorded_by, rung.origin = now, BY, ORIGIN
        rungs.append(rung)
    model["Rung"].objects.bulk_create(rungs, batch_size=BATCH, ignore_conflicts=True)


def _noticed(due_at, now):
    return due_at if due_at <= now else None


def _create(model, promises, now):
    model["Promise"].objects.bulk_create(promises, batch_size=BATCH)
    fields = [field.attname for field in model["Promise"]._meta.concrete_fields]
    model["HistoricalPromise"].objects.bulk_create(
        [
            model["HistoricalPromise"](
                **{field: getattr(promise, field) for field in fields},
                history_date=now,
                history_type="+",
                history_user_id=BY,
                origin=ORIGIN,
            )
            for promise in promises
        ],
        batch_size=BATCH,
    )


class Migration(migrations.Migration):

    dependencies = [
        ("exposure", "0003_promises"),
    ]

    operations = [migrations.RunPython(forwards, migrations.RunPython.noop, elidable=True)]
