"""/metrics: the figures of `remind.figures` as Prometheus text, for whoever holds METRICS_TOKEN."""

import secrets
from collections.abc import Iterator
from datetime import datetime

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_safe
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.exposition import CONTENT_TYPE_LATEST
from prometheus_client.registry import Collector

from exposure.audit import sealing
from exposure.remind import heartbeat
from exposure.remind.figures import Figures, figures
from exposure.remind.models import Heartbeat


@require_safe
def metrics(request: HttpRequest) -> HttpResponse:
    """Any process answers, because all figures are in the database. Without a token set there is no such address."""
    if not settings.METRICS_TOKEN:
        raise Http404
    scheme, _space, token = request.headers.get("Authorization", "").partition(" ")
    is_known = secrets.compare_digest(token.strip().encode(errors="replace"), settings.METRICS_TOKEN.encode())
    if scheme.lower() != "bearer" or not is_known:
        # RFC 6750, section 3
        return HttpResponse(status=401, headers={"WWW-Authenticate": "Bearer"}, content_type="text/plain")
    registry = CollectorRegistry()
    registry.register(_Asked(request.at))
    return HttpResponse(generate_latest(registry), content_type=CONTENT_TYPE_LATEST)


class _Asked(Collector):
    """Asks the database at the scrape; nothing is counted in a process."""

    def __init__(self, at: datetime) -> None:
        self.at = at

    def describe(self) -> list[Metric]:
        return []  # to register it asks nothing

    def collect(self) -> Iterator[Metric]:
        found = figures(at=self.at)
        yield from _alone(found)
        yield from _seals(self.at)
        for name, words, label, values in (
            ("messages_sent_last_day", "Messages that a gateway took.", "channel", found.sent),
            (
                "messages_given_up_last_day",
                "Messages that no gateway took in time.",
                "channel",
                found.given_up,
            ),
            ("messages_skipped_last_day", "Messages that need not go.", "reason", found.messages_skipped),
            ("reminders_skipped_last_day", "Reminders without message.", "reason", found.reminders_skipped),
            ("rows_set_aside", "Rows that a part cannot process.", "part", found.set_aside),
            ("heartbeat_age_seconds", "Since a process ended a round.", "process", found.heartbeat_age),
            ("round_seconds", "How long the last round lasted.", "process", found.round_seconds),
            ("alerts_unseen", "Open alerts that nobody has seen.", "urgency", found.alerts_unseen),
        ):
            family = GaugeMetricFamily(f"service_{name}", words, labels=[label])
            for value, amount in values.items():
                family.add_metric([value], amount)
            yield family
        tried = GaugeMetricFamily(
            "service_attempts_last_day", "Attempts to send a message.", labels=["channel", "outcome"]
        )
        for labels, amount in found.attempts.items():
            tried.add_metric(labels, amount)
        yield tried


def _seals(at: datetime) -> Iterator[Metric]:
    beat = Heartbeat.objects.filter(name=heartbeat.SEALER).first()
    age = (at - beat.at).total_seconds() if beat else float("inf")
    yield GaugeMetricFamily("service_seal_age_seconds", "Since everything was found sealed.", value=age)
    yield GaugeMetricFamily(
        "service_seals_unsigned", "Entries that no signed head covers.", value=sealing.unsigned()
    )


def _alone(found: Figures) -> Iterator[Metric]:
    for name, words, amount in (
        (
            "oldest_unsent_seconds",
            "How long the oldest message that could have left has waited.",
            found.oldest_unsent,
        ),
        ("counted_back_seconds", "How far back “last day” was counted.", found.reach),
        ("promises_late", "What nobody has done in time.", found.promises_late),
        ("clock_jumps_last_day", "How often the clock was wrong.", found.clock_jumps),
    ):
        yield GaugeMetricFamily(f"service_{name}", words, value=amount)
