"""What the clinicians' lists cost with many people in follow-up: ratios of one run, on PostgreSQL.

    python -m tests.benchmarks.desk_lists --people 100000

In a database of its own on the server of DATABASE_URL, else on a private one from the wheel. Everybody is invented.
What the pages are compared with shows the same fifty people with the same figures: once as one would write it first,
annotated by the ORM and walked through by a template, and once as bare SQL and string formatting.
"""

import argparse
import re
import statistics
import time
from contextlib import contextmanager
from datetime import timedelta
from unittest import mock

NAME = "desk_lists_benchmark"
OF_STATION = 200
SHOWN = 50
TURNS = 7
SETTINGS = {"shared_buffers": "2GB", "work_mem": "64MB", "max_wal_size": "8GB", "random_page_cost": "1.1"}


if __name__ == "__main__":
    from tests.benchmarks.database import prepare

    prepare(NAME, SETTINGS)

import django  # noqa: E402

django.setup()

from django.db import connection  # noqa: E402
from django.db.models import Count, Exists, F, Max, OuterRef, Subquery  # noqa: E402
from django.template import engines  # noqa: E402
from django.test import Client  # noqa: E402
from django.test.utils import CaptureQueriesContext  # noqa: E402
from django.urls import reverse  # noqa: E402

from exposure import clock  # noqa: E402
from exposure.attend.models import Alert  # noqa: E402
from exposure.followup.models import Check, Fill, FollowUp, Reading  # noqa: E402
from exposure.record import acting  # noqa: E402
from tests.benchmarks.database import lay_out  # noqa: E402
from tests.benchmarks.many_followed import NOW, on_lists  # noqa: E402

WEEK = NOW - timedelta(days=7)

# As one would write it first: what is ordered by in annotations, the rest asked for where it is shown.
PLAIN = """
{% for one in page %}<tr><th>{{ one.worker.name }}</th><td>{{ one.site.short_name }} {{ one.pathogen }}
{% for exposure in one.exposures.all %}{{ exposure.tier_label }} {{ exposure.day_zero }}{% endfor %}</td>
<td>{% for alert in one.alerts.all %}{{ alert.get_cause_display }} {{ alert.raised_at }}{% endfor %}
{{ one.missing }}</td>
<td>{% for check in one.checks.all %}{{ check.window }} {{ check.opens_at }}
{% for fill in check.fills.all %}{{ fill.state }} {{ fill.reading.value }}{% endfor %}{% endfor %}</td>
<td>{% for exposure in one.exposures.all %}{% for restriction in exposure.restrictions.all %}
{{ restriction.title }} {{ restriction.to_date }}{% endfor %}{% endfor %}</td></tr>{% endfor %}
"""
# The same in one statement.
BARE = """
SELECT w.name, s.short_name, f.pathogen, e.tier_label, e.day_zero, a.cause, a.raised_at, m.missing,
  (SELECT string_agg(concat_ws(' ', c.window, c.opens_at, coalesce(l.state, '-'), coalesce(r.value::text, '-')), ';'
                     ORDER BY c.opens_at)
     FROM exposure_check c LEFT JOIN exposure_fill l ON l.check_id = c.id
     LEFT JOIN exposure_reading r ON r.id = l.reading_id
    WHERE c.follow_up_id = f.id AND c.withdrawn_at IS NULL AND c.opens_at BETWEEN %(week)s AND %(now)s),
  (SELECT string_agg(t.title || ' ' || t.to_date, ';') FROM exposure_restriction t WHERE t.exposure_id = e.id)
FROM exposure_followup f JOIN exposure_worker w ON w.id = f.worker_id JOIN exposure_site s ON s.id = f.site_id
JOIN exposure_exposure e ON e.follow_up_id = f.id AND e.withdrawn_at IS NULL
JOIN exposure_breach b ON b.id = e.breach_id
LEFT JOIN exposure_alert a ON a.follow_up_id = f.id AND a.closed_at IS NULL
CROSS JOIN LATERAL (
  SELECT count(*) AS missing FROM exposure_check c
  WHERE c.follow_up_id = f.id AND c.withdrawn_at IS NULL AND c.closes_at <= %(now)s
  AND c.closes_at > (
    SELECT coalesce(max(c2.closes_at), '-infinity') FROM exposure_check c2
    JOIN exposure_fill l2 ON l2.check_id = c2.id WHERE c2.follow_up_id = f.id AND c2.closes_at <= %(now)s)
) m
WHERE f.ended_at IS NULL AND b.station_id = %(station)s
ORDER BY a.cause NULLS LAST, m.missing DESC, w.name, f.id LIMIT %(shown)s
"""
ROW = "<tr><th>{}</th><td>{} {} {} {}</td><td>{} {} {}</td><td>{}</td><td>{}</td></tr>"


def line(what, seen, wanted=""):
    print(f"{what:86} {seen:>30}  {wanted}", flush=True)


def middle(work, turns=TURNS):
    """Seconds of a call, the middle one of several; the first, which builds what is built once, left out."""
    work()
    taken = []
    for _ in range(turns):
        began = time.perf_counter()
        work()
        taken.append(time.perf_counter() - began)
    return statistics.median(taken)


def as_first_written(station):
    ahead = Check.objects.filter(follow_up=OuterRef("pk"), withdrawn_at=None, closes_at__lte=NOW)
    answered = ahead.filter(fills__isnull=False).order_by("-closes_at").values("closes_at")[:1]
    since = ahead.order_by().annotate(of=F("follow_up"))
    unanswered = since.filter(~Exists(Fill.objects.filter(check_row=OuterRef("pk")))).values("of")
    urgent = (
        Alert.objects.filter(follow_up=OuterRef("pk"), closed_at=None).order_by("cause").values("cause")[:1]
    )
    listed = (
        FollowUp.objects.running(at=NOW)
        .filter(exposures__breach__station=station, exposures__withdrawn_at=None)
        .annotate(
            worst=Subquery(urgent),
            last=Subquery(answered),
            missing=Subquery(unanswered.annotate(n=Count("pk")).values("n")),
            heard=Max("worker__readings__recorded_at"),
        )
        .order_by(F("worst").asc(nulls_last=True), F("missing").desc(nulls_last=True), "worker__name", "pk")
    )
    return engines["django"].from_string(PLAIN).render({"page": listed[:SHOWN]})


def as_bare_sql(station):
    with connection.cursor() as cursor:
        cursor.execute(BARE, {"now": NOW, "week": WEEK, "station": station.pk, "shown": SHOWN})
        return "".join(ROW.format(*row) for row in cursor.fetchall())


@contextmanager
def counted():
    """How many rows come back from the database, by statement."""
    rows = []

    def count(execute, sql, parameters, many, context):
        found = execute(sql, parameters, many, context)
        rows.append(max(0, context["cursor"].rowcount) if sql.startswith("SELECT") else 0)
        return found

    with connection.execute_wrapper(count):
        yield rows


def page(client, address):
    answer = client.get(address)
    assert answer.status_code == 200, answer.status_code
    return answer


def people_on(answer):
    return answer.content.count(b'<th scope="row"')


def of_a_station(client, station):
    address = f"{reverse('monitoring')}?station={station.code}"
    assert people_on(page(client, address)) == SHOWN
    ours = middle(lambda: page(client, address))
    first = middle(lambda: as_first_written(station), 1)
    bare = middle(lambda: as_bare_sql(station))
    line(f"(a) monitoring list of a station of {OF_STATION}, first {SHOWN} shown", f"{ours * 1000:.0f} ms")
    line(
        "    ORM annotate and a plain template loop",
        f"{first * 1000:.0f} ms = {first / ours:.1f} slower",
        "20",
    )
    line(
        "    bare SQL and string formatting", f"{bare * 1000:.1f} ms = {ours / bare:.1f} faster", "5 at most"
    )


def of_the_site(client, name):
    address = reverse(name)
    probe = "SELECT id FROM exposure_alert WHERE closed_at IS NULL AND follow_up_id = %s"
    keys = list(FollowUp.objects.order_by("pk").values_list("pk", flat=True)[:SHOWN])

    def look():
        with connection.cursor() as cursor:
            for key in keys:
                cursor.execute(probe, [key])
                cursor.fetchall()

    probed = middle(look)
    ours = middle(lambda: page(client, address))
    with CaptureQueriesContext(connection) as taken:
        shown = page(client, address)
    sql = sum(float(one["time"]) for one in taken)
    line(
        f"(b) {name}, whole site, first page", f"{ours * 1000:.0f} ms, SQL {sql * 1000:.0f}, {len(taken)} st."
    )
    line(f"    {SHOWN} index probes", f"{probed * 1000:.1f} ms = {ours / probed:.1f} faster", "10 at most")
    with CaptureQueriesContext(connection) as taken:
        again = client.get(address, headers={"if-none-match": shown["ETag"]})
    own = [one for one in taken if "newest_0" in one["sql"]]
    line(
        "(c) the same again, unchanged", f"{again.status_code}, {len(own)} of {len(taken)} st.", "304 from 1"
    )
    unchanged = middle(lambda: client.get(address, headers={"if-none-match": shown["ETag"]}))
    line("    which takes", f"{unchanged * 1000:.1f} ms")
    with counted() as rows:
        shown = page(client, address)
    line(
        "(d) rows that came back, by the largest statement / in all",
        f"{max(rows):,} / {sum(rows):,}",
        f"{SHOWN} shown",
    )


def plans(client, address, slowest):
    with CaptureQueriesContext(connection) as taken:
        page(client, address)
    asked = sorted(taken, key=lambda one: -float(one["time"]))[:slowest]
    for one in asked:
        print(f"\n{one['time']} s  {shortened(one['sql'])}")
        with connection.cursor() as cursor:
            cursor.execute(f"EXPLAIN ANALYZE {one['sql']}")
            for (row,) in cursor.fetchall():
                print("   ", shortened(row))


def shortened(text):
    return re.sub(r"(\d+, ?){9,}", "..., ", text)[:1500]


def main():
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--people", type=int, default=2000)
    options.add_argument(
        "--plans", type=int, default=0, help="of so many of the slowest statements of a page"
    )
    given = options.parse_args()
    lay_out()
    with acting("command:benchmark", "benchmark", at=NOW - timedelta(days=3)):
        began = time.perf_counter()
        cast, station = on_lists(given.people, OF_STATION)
        line(
            f"built: {given.people:,} people, {Check.objects.count():,} checks, {Reading.objects.count():,} readings",
            f"{time.perf_counter() - began:.0f} s",
        )
    client = Client(SERVER_NAME="localhost")
    with mock.patch.object(clock, "now", return_value=NOW):
        client.force_login(cast.nurse)
        of_a_station(client, station)
        for name in ("monitoring", "needs_action"):
            of_the_site(client, name)
        if given.plans:
            plans(client, reverse("monitoring"), given.plans)


if __name__ == "__main__":
    main()
