"""`manage.py criteria check FILE`: what is wrong with a criteria file, with examples in words."""

from argparse import ArgumentParser
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils.translation import gettext as _

from exposure.classify.criteria import Criteria, CriteriaError, Finding, text
from exposure.classify.table import Fact


class Command(BaseCommand):
    help = "Looks at criteria files."

    def add_arguments(self, parser: ArgumentParser) -> None:
        actions = parser.add_subparsers(dest="action", required=True)
        check = actions.add_parser("check", help="print what is wrong with a file, with examples")
        check.add_argument("file", type=Path)

    def handle(self, *, action: str, **options: Any) -> None:
        {"check": self.look}[action](**options)

    def look(self, *, file: Path, **_options: Any) -> None:
        try:
            criteria = Criteria.parse(file.read_text(encoding="utf-8"))
            findings = criteria.findings()
        except (OSError, UnicodeDecodeError, CriteriaError) as error:
            raise CommandError(f"{file}: {error}") from None
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
        for path in criteria.lacking():
            self.stdout.write(_("Approval still needs: %(path)s") % {"path": path})


def witness(criteria: Criteria, finding: Finding) -> list[str]:
    """The finding's examples, one line each."""
    if finding.witness is None:
        return []
    examples = finding.witness if isinstance(finding.witness, tuple) else (finding.witness,)
    return [_("for example: %(facts)s") % {"facts": in_words(criteria, facts)} for facts in examples]


def in_words(criteria: Criteria, facts: Mapping[str, object]) -> str:
    """Facts as questions and answers, and the tier they have."""
    asked = [fact for fact in criteria.facts if fact.name in facts]
    said = "; ".join(f"{text(fact.ask)} {answer(fact, facts[fact.name])}" for fact in asked)
    verdict = criteria.classify(facts)
    tier = next(text(tier.label) for tier in criteria.tiers if tier.code == verdict.ceiling)
    return f"{said}: {tier}" if verdict.covered else said


def answer(fact: Fact, value: object) -> str:
    """An answer's label, or the band of a number."""
    at = fact.position(value)
    if not fact.cuts:
        return text(fact.answers[at].label)
    cuts = {"low": fact.cuts[at - 1] if at else None, "high": fact.cuts[min(at, len(fact.cuts) - 1)], "unit": fact.unit}
    if at == 0:
        return _("below %(high)s %(unit)s") % cuts
    if at == len(fact.cuts):
        return _("%(low)s %(unit)s or more") % cuts
    return _("%(low)s to below %(high)s %(unit)s") % cuts
