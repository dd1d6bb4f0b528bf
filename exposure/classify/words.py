"""Criteria as people read them: answers, conditions, plans, findings and differences in sentences.

Texts of the file come in the language of whoever reads, where the file has it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.utils.formats import localize
from django.utils.translation import get_language, ngettext
from django.utils.translation import gettext as _

from exposure import wording
from exposure.classify.compare import Change
from exposure.classify.criteria import Criteria, Finding, text
from exposure.classify.document import Words
from exposure.classify.plan import Duration, Plan, Task
from exposure.classify.table import Fact, Range, Rule

Asked = list[tuple[str, str]]  # question and answer


def said(words: Words | None) -> str:
    """A text of the file in the reader's language: the file's own, else the catalogue's for its English."""
    if words is None:
        return ""
    language = get_language() or wording.KEPT_IN
    if isinstance(words, Mapping) and {language, language.partition("-")[0]} & words.keys():
        return text(words, language)
    return wording.shipped(text(words))


def tier_label(criteria: Criteria, code: str) -> str:
    """A tier's name; a code that the criteria do not know as it stands."""
    return next((said(tier.label) for tier in criteria.tiers if tier.code == code), code)


def answer(fact: Fact, value: object) -> str:
    """An answer's label, or the band of a number."""
    at = fact.position(value)
    if not fact.cuts:
        return said(fact.answers[at].label)
    low = fact.cuts[at - 1] if at else None
    high = fact.cuts[at] if at < len(fact.cuts) else None
    return band(low, high, fact.unit)


def band(low: Decimal | None, high: Decimal | None, unit: str | None) -> str:
    """Numbers from `low` on and below `high`."""
    words = {"low": low and localize(low), "high": high and localize(high), "unit": unit}
    if low is None:
        return _("below %(high)s %(unit)s") % words
    if high is None:
        return _("%(low)s %(unit)s or more") % words
    return _("%(low)s to below %(high)s %(unit)s") % words


def asked(criteria: Criteria, facts: Mapping[str, object]) -> Asked:
    """Known answers as questions and answers, in file order."""
    return [(said(fact.ask), answer(fact, facts[fact.name])) for fact in criteria.facts if fact.name in facts]


# Rules


@dataclass(frozen=True)
class RuleWords:
    """A rule as a row: `when` are questions, each with the answers on which the rule holds; none: always."""

    row: str
    id: str
    when: list[tuple[str, list[str]]]
    because: str
    source: str
    from_memory: bool


def rules_of(criteria: Criteria, tier: str) -> list[RuleWords]:
    """The rules that give a tier, in file order."""
    sources = {source.id: source for source in criteria.sources}
    rows = []
    for at, rule in enumerate(criteria.rules):
        if rule.tier != tier:
            continue
        source = sources.get(rule.source or "")
        parts = [said(source.title), said(source.publisher), source.year] if source else [rule.source]
        cited = ", ".join(str(part) for part in parts if part)
        rows.append(
            RuleWords(
                f"rules[{at}]", rule.id, _when(criteria, rule), said(rule.because), cited, not rule.seen
            )
        )
    return rows


def _when(criteria: Criteria, rule: Rule) -> list[tuple[str, list[str]]]:
    conditions = []
    for fact in criteria.facts:
        if fact.name not in rule.when:
            continue
        wanted = rule.when[fact.name]
        if isinstance(wanted, Range):
            answers = [band(wanted.at_least, wanted.below, fact.unit)]
        else:
            answers = [answer(fact, code) for code in wanted]
        conditions.append((said(fact.ask), answers))
    return conditions


# Plans

UNITS = {
    "m": lambda n: ngettext("%(n)d minute", "%(n)d minutes", n),
    "h": lambda n: ngettext("%(n)d hour", "%(n)d hours", n),
    "d": lambda n: ngettext("%(n)d day", "%(n)d days", n),
    "w": lambda n: ngettext("%(n)d week", "%(n)d weeks", n),
    "mo": lambda n: ngettext("%(n)d month", "%(n)d months", n),
}


def span(duration: Duration) -> str:
    """A duration in words."""
    return UNITS[duration.unit](duration.amount) % {"n": duration.amount}


def plan_of(plan: Plan | None) -> list[str]:
    """What a tier brings, a sentence each."""
    if plan is None:
        return [_("It does not say yet what this tier brings.")]
    sentences = [_monitoring(plan)]
    if plan.observed_per_day:
        observed = ngettext(
            "%(n)d reading a day is seen by somebody.",
            "%(n)d readings a day are seen by somebody.",
            plan.observed_per_day,
        )
        sentences.append(observed % {"n": plan.observed_per_day})
    sentences.append(_("A nurse confirms within %(span)s.") % {"span": span(plan.confirm_within)})
    sentences += _signatures(plan)
    for restriction in plan.restrictions:
        words = {"title": said(restriction.title), "n": restriction.days}
        sentences.append((_("%(title)s, for %(n)d days.") if restriction.days else _("%(title)s.")) % words)
    sentences += [_task(task) for task in plan.tasks]
    return sentences


def _monitoring(plan: Plan) -> str:
    kinds = {
        "none": _("No readings."),
        "self": _("Readings, which the worker takes alone"),
        "active": _("Readings, which occupational health asks for"),
        "direct": _("Readings, which somebody watches"),
    }
    words = kinds[plan.monitoring]
    if plan.days is not None and plan.monitoring != "none":
        words = _("%(readings)s, for %(n)d days after the last exposure.") % {
            "readings": words,
            "n": plan.days,
        }
    elif plan.window is not None:
        words = _(
            "%(readings)s, from day %(first)d after the first exposure to day %(last)d after the last."
        ) % {
            "readings": words,
            "first": plan.window.from_first,
            "last": plan.window.to_last,
        }
    return words


def _task(task: Task) -> str:
    words = {"title": said(task.title), "span": span(task.due), "start": task.start}
    sentences = {
        "report": _("%(title)s, within %(span)s of the report."),
        "exposure": _("%(title)s, within %(span)s of the exposure."),
    }
    sentence = sentences.get(task.start, _("%(title)s, within %(span)s of “%(start)s” being done.")) % words
    if task.not_before is not None:
        sentence += " " + _("Not before %(span)s have passed.") % {"span": span(task.not_before)}
    if task.urgent:
        sentence += " " + _("Urgent from the start, and when late.")
    if task.warn is not None:
        sentence += " " + _("A warning comes %(span)s before it is due.") % {"span": span(task.warn)}
    return sentence


def _signatures(plan: Plan) -> list[str]:
    second = {
        "none": [],
        "lower": [_("A lower tier takes effect with a second signature.")],
        "always": [_("Any other tier takes effect with a second signature.")],
    }
    clearance = {
        "nurse": _("A nurse may sign the end."),
        "physician": _("A physician signs the end."),
        "two": _("Two people sign the end."),
    }
    return [*second[plan.second_signature], clearance[plan.clearance]]


# Findings and differences


@dataclass(frozen=True)
class Example:
    """One set of answers, and the tier that it has ("" where nothing covers it)."""

    asked: Asked
    tier: str


@dataclass(frozen=True)
class FindingWords:
    kind: str
    sentence: str
    examples: list[Example]
    accepted: bool
    because: str
    forbids: bool


def finding_in_words(criteria: Criteria, finding: Finding) -> FindingWords:
    """A finding as a sentence with its examples. `forbids`: as it stands, the version cannot be approved."""
    sentences = {
        "gap": _("For some answers no rule holds, and there is no “otherwise”."),
        "unreachable": _(
            "Rule %(about)s never decides: wherever it holds, a rule of a higher tier does too."
        ),
        "redundant": _("Rule %(about)s changes nothing: without it every set of answers has the same tier."),
        "not_monotone": _(
            "“%(ask)s” says that later answers are never less serious, yet a later one can lower the tier."
        ),
        "unused": _("“%(ask)s” is asked, but no rule names it."),
    }
    ask = next((said(fact.ask) for fact in criteria.facts if fact.name == finding.about), "")
    witness = finding.witness or ()
    examples = witness if isinstance(witness, tuple) else (witness,)
    accepted = [one for one in criteria.accepted if (one.finding, one.about) == (finding.kind, finding.about)]
    return FindingWords(
        finding.kind,
        sentences[finding.kind] % {"about": finding.about, "ask": ask},
        [example(criteria, facts) for facts in examples],
        finding.accepted,
        said(accepted[0].because) if accepted else "",
        finding.kind in ("gap", "not_monotone") and not finding.accepted,
    )


def example(criteria: Criteria, facts: Mapping[str, object]) -> Example:
    """A full set of answers with its tier."""
    verdict = criteria.classify(facts)
    return Example(asked(criteria, facts), tier_label(criteria, verdict.ceiling) if verdict.covered else "")


@dataclass(frozen=True)
class ChangeWords:
    sentence: str
    asked: Asked


def change_in_words(before: Criteria, after: Criteria, change: Change) -> ChangeWords:
    """A difference between two versions with its exact share of all sets of answers, and one of them."""
    words = {
        "before": tier_label(before, change.before),
        "after": tier_label(after, change.after),
        "share": f"{change.share.numerator}/{change.share.denominator}",
        "percent": localize(round(Decimal(100 * change.share.numerator) / change.share.denominator, 1)),
    }
    sentence = (
        _("“%(before)s” becomes “%(after)s” for %(share)s of all sets of answers (%(percent)s %%).") % words
    )
    facts: dict[str, Any] = {fact.name: fact for fact in (*before.facts, *after.facts)}
    return ChangeWords(
        sentence,
        [(said(facts[name].ask), answer(facts[name], value)) for name, value in change.witness.items()],
    )
