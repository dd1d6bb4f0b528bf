import pytest
from datetime import timedelta
from tests.cast import MONDAY, doing
from exposure import pipeline
from exposure.report.models import Breach

@pytest.mark.database
def test_walk(cast):
    with doing(cast.observer):
        r = pipeline.report_breach(body=cast.body(), reporter=cast.observer, at=MONDAY)
    print(r, r.assessments[0].__dict__)
    assert r.created and r.follow_ups and r.ring_now
    assert r.follow_ups[0].checks.count() == 42
    with doing(cast.nurse):
        pipeline.tell_worker(breach=r.breach, how="phone", told_at=MONDAY, by=cast.nurse, at=MONDAY)
        pipeline.confirm_breach(breach=r.breach, by=cast.nurse, at=MONDAY)
    with doing("command:clock", at=MONDAY+timedelta(days=1)):
        print(pipeline.pass_time(at=MONDAY+timedelta(days=1)))
    with doing(cast.worker.user):
        l = pipeline.log_reading(body=cast.reading(temperature="100.4", unit="F"), worker=cast.worker, entered_by=cast.worker.user, at=MONDAY+timedelta(hours=10))
        print(l)
