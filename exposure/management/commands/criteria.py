"""`manage.py criteria check FILE`: what is wrong with a criteria file; `criteria replay FILE`: whom it would move."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils.translation import gettext as _

from exposure.classify.criteria import Criteria, CriteriaError, Finding
from exposure.classify.portals import unmarked
from exposure.classify.replay import Move, replay
from exposure.classify.words import example, said, tier_label
from exposure.places.models import Site
from exposure.report.models import Breach


class Command(BaseCommand):
    help = "Looks at criteria files."

    def add_arguments(self, parser: ArgumentParser) -> None:
        actions = parser.add_subparsers(dest="action", required=True)
        check = actions.add_parser("check", help="print what is wrong with a file, with examples")
        check.add_argument("file", type=Path)
        again = actions.add_parser("replay", help="print which past reports a file would move; moves nothing")
        again.add_argument("file", type=Path)
        again.add_argument("--site", help="the code of the site whose reports are meant; absent: all sites")

    def handle(self, *, action: str, file: Path, **options: Any) -> None:
        try:
            criteria = Criteria.parse(file.read_text(encoding="utf-8"))
            {"check": self.look, "replay": self.replay}[action](criteria, **options)
        except (OSError, UnicodeDecodeError, CriteriaError) as error:
            raise CommandError(f"{file}: {error}") from None

    def look(self, criteria: Criteria, **_options: Any) -> None:
        findings = criteria.findings()
        size = _("%(tiers)d tiers, %(facts)d facts, %(rules)d rules") % {
            "tiers": len(criteria.tiers),
            "facts": len(criteria.facts),
            "rules": len(criteria.rules),
        }
        self.stdout.write(f"{criteria.pathogen} {criteria.version}: {size}, sha256 {criteria.sha256}")
        for finding in findings:
            self.stdout.write(f"{finding.kind}: {finding.message}")
            if finding.accepted:
                self.stdout.write("    " + _("accepted in the file"))
            for line in witness(criteria, finding):
                self.stdout.write(f"    {line}")
        if not findings:
            self.stdout.write(_("Nothing found: every answer set is covered and every rule and fact counts."))
        for line in warnings(criteria):
            self.stdout.write(line)
        for path in criteria.lacking():
            self.stdout.write(_("Approval still needs: %(path)s") % {"path": path})

    def replay(self, criteria: Criteria, *, site: str | None, **_options: Any) -> None:
        where = Site.objects.filter(code=site).first() if site else None
        if site and where is None:
            raise CommandError(_("There is no site “%(code)s”.") % {"code": site})
        replayed = replay(criteria, site=where)
        moved = sum(move.count for move in replayed.moves)
        words = {
            "criteria": f"{criteria.pathogen} {criteria.version}",
            "reports": replayed.reports,
            "moved": moved,
        }
        self.stdout.write(_("%(criteria)s: %(reports)d past reports, %(moved)d would move.") % words)
        for move in replayed.moves:
            self.stdout.write(in_words(criteria, move))
            named = Breach.objects.filter(uid__in=move.breaches).order_by("pk")
            for reference in named.values_list("reference", flat=True):
                self.stdout.write(f"    {reference}")
            if move.count > len(move.breaches):
                self.stdout.write("    " + _("and %(n)d more") % {"n": move.count - len(move.breaches)})
        self.stdout.write(_("Nothing was moved. Local protocol and the licensed clinician decide."))


def in_words(criteria: Criteria, move: Move) -> str:
    """One line: how many, from where to where, by which rules."""
    words = {
        "count": move.count,
        "before": tier_label(criteria, move.before) or _("not assessed"),
        "after": tier_label(criteria, move.after),
    }
    line = _("%(count)d from “%(before)s” to “%(after)s”") % words
    if move.rules:
        return f"{line}: {', '.join(move.rules)}"
    return f"{line}: " + (_("no rule holds") if move.settled else _("not all questions are answered"))


def warnings(criteria: Criteria) -> list[str]:
    """A line per answer or question that names a way into the blood and is not marked; none of them forbids."""
    lines = []
    for fact, answer in unmarked(criteria.facts):
        words = {"ask": said(fact.ask), "answer": said(answer.label) if answer else ""}
        sentence = _(
            "Warning: “%(ask)s” names a way into the blood, and no answer is marked “bloodborne: true”."
        )
        if answer is not None:
            sentence = _(
                "Warning: the answer “%(answer)s” to “%(ask)s” names a way into the blood and is not marked "
                "“bloodborne: true”."
            )
        lines.append(sentence % words)
    return lines


def witness(criteria: Criteria, finding: Finding) -> list[str]:
    """The finding's examples, one line each."""
    if finding.witness is None:
        return []
    lines = []
    for facts in finding.witness if isinstance(finding.witness, tuple) else (finding.witness,):
        one = example(criteria, facts)
        given = "; ".join(f"{question} {chosen}" for question, chosen in one.asked)
        lines.append(_("for example: %(facts)s") % {"facts": f"{given}: {one.tier}" if one.tier else given})
    return lines
