"""Reading a criteria file: what it says, and a line, a path and a remedy for whatever is wrong with it."""

import dataclasses
import random
import time
import tracemalloc
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exposure.classify.criteria import Criteria, CriteriaError, text
from exposure.classify.document import MOST_BYTES
from exposure.classify.plan import Duration

FILE = """\
pathogen: example
version: 2026.10
title: {en: Example criteria, fr: Exemple}
sources: [{id: guide, title: Guide, year: 2016}]
profile:
  incubation_days: [2, 21]
  min_hours: 6
  fever:
    default: {limit: "38.0", unit: C, at: at_least}
    oral: {limit: 100.40, unit: F, at: above}
  subjective_fever: true
  reducer_hours: 6
  rise: null
  symptoms: {headache: {ask: "Headache?"}, bleeding: {ask: "Bleeding?", urgent: true}}
  symptom_count: 1
  silence_hours: 48
  next_look_hours: 4
tiers:
  - {code: no, label: No risk, plan: {monitoring: none}}
  - code: high
    label: High risk
    plan:
      monitoring: self
      days: 21
      confirm_within: 2h
      tasks: [{code: call, title: Call, due: 24h, from: report, urgent: true, warn: 8h}]
facts:
  - name: contact
    ask: "What?"
    worse: up
    answers:
      - {code: no, label: Nothing}
      - {code: 12:30, label: Splash, bloodborne: true}
  - {name: minutes, ask: "How long?", unit: min, cuts: [15, 60.5]}
rules:
  - {id: R1, tier: high, when: {contact: [12:30], minutes: {at_least: 15}}, because: B, source: guide}
impossible:
  - {contact: [no], minutes: {at_least: 60.5}}
otherwise: no
"""


def refused(old, new, count=1):
    assert old in FILE
    with pytest.raises(CriteriaError) as error:
        Criteria.parse(FILE.replace(old, new, count))
    return error.value


def test_a_file_says_who_it_is_and_everything_is_the_text_as_written():
    criteria = Criteria.parse(FILE)
    assert (criteria.pathogen, criteria.version, criteria.status) == ("example", "2026.10", "current")
    assert (text(criteria.title), text(criteria.title, "fr-CA"), text(criteria.title, "de")) == (
        "Example criteria",
        "Exemple",
        "Example criteria",
    )
    assert [tier.code for tier in criteria.tiers] == ["no", "high"]
    assert [answer.code for answer in criteria.facts[0].answers] == ["no", "12:30"]
    assert [answer.bloodborne for answer in criteria.facts[0].answers] == [False, True]
    assert criteria.facts[1].cuts == (Decimal(15), Decimal("60.5"))
    assert criteria.rules[0].when["contact"] == ("12:30",)
    assert criteria.lacking() == ()


def test_the_profile_and_the_plan_are_typed_values():
    criteria = Criteria.parse(FILE)
    oral = criteria.profile.fever["oral"]
    assert (oral.limit, str(oral.limit), oral.unit, oral.at) == (Decimal("100.4"), "100.40", "F", "above")
    assert criteria.profile.symptoms["bleeding"].urgent
    assert not criteria.profile.symptoms["headache"].urgent
    assert criteria.profile.rise is None
    plan = criteria.tiers[1].plan
    assert (plan.monitoring, plan.days, plan.confirm_within) == ("self", 21, Duration(2, "h"))
    assert (plan.clearance, plan.second_signature, plan.observed_per_day) == ("nurse", "none", 0)
    assert (plan.tasks[0].due, plan.tasks[0].start) == (Duration(24, "h"), "report")
    assert (plan.tasks[0].urgent, plan.tasks[0].warn) == (True, Duration(8, "h"))
    assert criteria.tiers[0].plan.confirm_within == Duration(24, "h")


def test_a_task_that_says_neither_is_not_urgent_and_warns_of_nothing():
    [task] = Criteria.parse(FILE.replace(", urgent: true, warn: 8h", "")).tiers[1].plan.tasks
    assert (task.urgent, task.warn) == (False, None)


def test_the_older_name_of_the_bloodborne_mark_means_the_same():
    older = Criteria.parse(FILE.replace("bloodborne", "through_skin")).facts[0].answers[1]
    assert (older.bloodborne, older.through_skin) == (True, True)


def test_a_warning_may_come_days_before_what_is_due_after_months_but_never_before_the_start():
    months = FILE.replace("due: 24h", "due: 1mo")
    assert Criteria.parse(months.replace("warn: 8h", "warn: 27d")).tiers[1].plan.tasks[0].warn.amount == 27
    with pytest.raises(CriteriaError, match="shorter than 'due'"):  # February has 28 days
        Criteria.parse(months.replace("warn: 8h", "warn: 28d"))
    days = FILE.replace("warn: 8h", "warn: 1mo")
    assert Criteria.parse(days.replace("due: 24h", "due: 32d")).tiers[1].plan.tasks[0].warn.unit == "mo"
    with pytest.raises(CriteriaError, match="shorter than 'due'"):  # January has 31
        Criteria.parse(days.replace("due: 24h", "due: 31d"))


def test_a_file_names_the_versions_that_it_replaces():
    assert Criteria.parse(FILE).replaces == ()
    replacing = FILE.replace("version: 2026.10", "version: 2026.10\nreplaces: [2026.9, 2025.1]")
    assert Criteria.parse(replacing).replaces == ("2026.9", "2025.1")


def test_a_fact_may_be_about_the_worker():
    about_worker = Criteria.parse(FILE.replace("worse: up", "about: worker"))
    assert [fact.about for fact in about_worker.facts] == ["worker", "event"]


def test_nothing_of_a_parsed_file_can_be_changed():
    criteria = Criteria.parse(FILE)
    for value, name in (
        (criteria, "version"),
        (criteria.tiers[0], "code"),
        (criteria.facts[0], "name"),
        (criteria.rules[0], "tier"),
        (criteria.profile, "min_hours"),
        (criteria.tiers[1].plan, "days"),
    ):
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(value, name, "x")
    with pytest.raises(TypeError):
        criteria.profile.fever["oral"] = None
    with pytest.raises(TypeError):
        criteria.rules[0].when["contact"] = ()
    with pytest.raises(AttributeError):
        criteria.classify({}).floor = "no"


def test_the_same_text_is_parsed_once():
    assert Criteria.parse(FILE) is Criteria.parse(FILE)


def test_what_approval_still_needs_is_listed_by_path():
    bare = """\
pathogen: example
version: 1
title: T
tiers: [{code: low, label: L}, {code: high, label: H, plan: {monitoring: active}}]
facts: [{name: contact, ask: Q, answers: [{code: splash, label: S}]}]
rules: [{id: R1, tier: high, when: {}}]
"""
    assert Criteria.parse(bare).lacking() == (
        "sources",
        "profile",
        "tiers[0].plan",
        "tiers[1].plan.days",
        "rules[0].because",
        "rules[0].source",
    )
    begun = Criteria.parse(
        bare + 'profile: {incubation_days: [2, 21], fever: {oral: {limit: "37.5", unit: C, at: above}}}\n'
    )
    assert [path for path in begun.lacking() if path.startswith("profile")] == [
        "profile.min_hours",
        "profile.subjective_fever",
        "profile.reducer_hours",
        "profile.symptoms",
        "profile.symptom_count",
        "profile.silence_hours",
        "profile.next_look_hours",
        "profile.fever.default",
    ]


# (what is written instead of what, line, path, what the message must say)
MALFORMED = [
    ("pathogen: example\n", "", 1, "", "'pathogen' is missing"),
    ("title:", "titel:", 3, "titel", "did you mean 'title'"),
    ("pathogen: example", "pathogen: ex ample", 1, "pathogen", "letters, digits"),
    ("title: {en: Example criteria, fr: Exemple}", "title: ''", 3, "title", "empty"),
    ("fr: Exemple", "french: Exemple", 3, "title.french", "no language"),
    ("tier: high, when", "tier: hihg, when", 36, "rules[0].tier", "did you mean 'high'"),
    ("tier: high, when", "when", 36, "rules[0]", "'tier' is missing"),
    ("contact: [12:30]", "contact: [12:31]", 36, "rules[0].when.contact[0]", "did you mean '12:30'"),
    ("contact: [12:30]", "contact: 12:30", 36, "rules[0].when.contact", "write [12:30]"),
    ("contact: [12:30]", "contact: []", 36, "rules[0].when.contact", "empty"),
    ("contact: [12:30]", "contakt: [12:30]", 36, "rules[0].when.contakt", "did you mean 'contact'"),
    ("{at_least: 15}", "{at_least: 16}", 36, "rules[0].when.minutes.at_least", "its cuts are 15, 60.5"),
    ("{at_least: 15}", "{at_least: 60.5, below: 15}", 36, "rules[0].when.minutes.below", "above 'at_least'"),
    ("{at_least: 15}", "{at_least: 15, below: 15}", 36, "rules[0].when.minutes.below", "above 'at_least'"),
    ("{at_least: 15}", "{}", 36, "rules[0].when.minutes", "'at_least', 'below' or both"),
    ("{at_least: 15}", "[15]", 36, "rules[0].when.minutes", "must be a mapping"),
    ("cuts: [15, 60.5]", "cuts: [15, 15.0]", 34, "facts[1].cuts[1]", "not above 15"),
    ("cuts: [15, 60.5]", "cuts: [fifteen]", 34, "facts[1].cuts[0]", "must be a number"),
    ("cuts: [15, 60.5]", "cuts: [.inf]", 34, "facts[1].cuts[0]", "must be a number"),
    ("unit: min, ", "", 34, "facts[1]", "'unit' is missing"),
    ("unit: min, cuts: [15, 60.5]", "about: event", 34, "facts[1]", "either 'answers'"),
    ("{code: 12:30, label: Splash,", "{code: no, label: Splash,", 33, "facts[0].answers[1]", "line 32"),
    ("worse: up", "worse: down", 30, "facts[0].worse", "'up'"),
    ("bloodborne: true", "bloodborne: yes", 33, "facts[0].answers[1].bloodborne", "true or false"),
    ("bloodborne: true", "through_skin: yes", 33, "facts[0].answers[1].through_skin", "true or false"),
    (
        "bloodborne: true",
        "bloodborne: true, through_skin: true",
        33,
        "facts[0].answers[1].through_skin",
        "older name of 'bloodborne'",
    ),
    ("worse: up", "about: staff", 30, "facts[0].about", "'event', 'case', 'worker'"),
    ("urgent: true, warn", "urgent: 1, warn", 26, "tiers[1].plan.tasks[0].urgent", "true or false"),
    ("warn: 8h", "warn: 8 h", 26, "tiers[1].plan.tasks[0].warn", "30m, 2h, 3d"),
    ("warn: 8h", "warn: 24h", 26, "tiers[1].plan.tasks[0].warn", "shorter than 'due', which is 24h"),
    ("version: 2026.10", "version: 2026.10\nreplaces: 2026.9", 3, "replaces", "must be a list"),
    ("otherwise: no", "otherwise: nothing", 39, "otherwise", "unknown tier 'nothing'"),
    ("source: guide", "source: giude", 36, "rules[0].source", "did you mean 'guide'"),
    ("days: 21", "days: three weeks", 24, "tiers[1].plan.days", "whole number"),
    ("days: 21", "days: -1", 24, "tiers[1].plan.days", "whole number"),
    (
        "days: 21",
        "days: 21\n      window: {from_first: 5, to_last: 21}",
        25,
        "tiers[1].plan.window",
        "not both",
    ),
    ("days: 21", "window: {from_first: 5, to_last: 4}", 24, "tiers[1].plan.window.to_last", "at least"),
    ("confirm_within: 2h", "confirm_within: 2 hours", 25, "tiers[1].plan.confirm_within", "30m, 2h, 3d"),
    ("monitoring: self", "monitoring: slef", 23, "tiers[1].plan.monitoring", "did you mean 'self'"),
    ("from: report", "from: reprot", 26, "tiers[1].plan.tasks[0].from", "did you mean 'report'"),
    ("from: report", "from: call", 26, "tiers[1].plan.tasks[0].from", "unknown start"),
    ("limit: 100.40", "limit: 38.0", 10, "profile.fever.oral.limit", "the other unit"),
    ("oral:", "mouth:", 10, "profile.fever.mouth", "unknown key 'mouth'"),
    ("rise: null", "rise: 0", 13, "profile.rise", "more than 0"),
    ("rise: null", "rise: 'null'", 13, "profile.rise", "must be a number"),
    ("[2, 21]", "[21, 2]", 6, "profile.incubation_days", "shortest and the longest"),
    ("symptom_count: 1", "symptom_count: 0", 15, "profile.symptom_count", "1 or more"),
    ("version: 2026.10", "version: 2026.10\nversion: 2", 3, "version", "already on line 2"),
    ("version: 2026.10", "version: 2026.10\n<<: {a: b}", 3, "", "merge keys"),
    ("version: 2026.10", "version: &a 2026.10", 2, "version", "anchors"),
    ("version: 2026.10", "version: *a", 2, "version", "aliases"),
    ("version: 2026.10", "version: !!str 2026.10", 2, "version", "tags"),
    ("version: 2026.10", "version: !!python/object/apply:os.getcwd []", 2, "version", "tags"),
    ("version: 2026.10", "version: [2026.10", 3, "", "not valid YAML"),
    ("version: 2026.10", "version: \ta\x07", 2, "", "U+0007"),
    ("version: 2026.10", "version: [x]", 2, "version", "must be a text"),
    ("  - {id: R1", "  R1: {id: R1", 36, "rules", "must be a list"),
    (
        "impossible:\n  - {contact: [no], minutes: {at_least: 60.5}}",
        "impossible: [{}]",
        37,
        "impossible",
        "no set",
    ),
    (
        "otherwise: no\n",
        "accepted: [{finding: redundant, about: R1, because: B}]\n",
        39,
        "accepted[0]",
        "no finding",
    ),
    (
        "otherwise: no\n",
        "accepted: [{finding: gap, about: R1, because: B}]\n",
        39,
        "accepted[0].finding",
        "a gap",
    ),
    ("otherwise: no\n", "--- second\n", 39, "", "a second document"),
]


@pytest.mark.parametrize(("old", "new", "line", "path", "says"), MALFORMED)
def test_a_malformed_file_is_refused_with_its_line_its_path_and_a_remedy(old, new, line, path, says):
    error = refused(old, new)
    assert (error.line, error.path) == (line, path), error
    assert says in error.message
    assert str(error) == ", ".join(filter(None, (f"line {line}", path))) + f": {error.message}"


def test_tasks_that_wait_for_each_other_are_refused():
    ring = "[{code: a, title: A, due: 1d, from: b}, {code: b, title: B, due: 1d, from: a}]"
    assert (
        "wait for each other"
        in refused(
            "[{code: call, title: Call, due: 24h, from: report, urgent: true, warn: 8h}]", ring
        ).message
    )


def test_an_accepted_finding_is_marked_where_the_guidance_causes_it():
    rules = "rules:\n  - {id: R0, tier: no, when: {contact: [no]}, because: B, source: guide}\n"
    entry = "accepted: [{finding: redundant, about: R0, because: B}]\notherwise: no"
    criteria = Criteria.parse(FILE.replace("rules:\n", rules).replace("otherwise: no", entry))
    assert [(one.kind, one.about, one.accepted) for one in criteria.findings()] == [("redundant", "R0", True)]


@pytest.mark.parametrize("empty", ["", "\n\n", "# only a remark\n", "---\n"])
def test_an_empty_file_is_refused(empty):
    with pytest.raises(CriteriaError) as error:
        Criteria.parse(empty)
    assert error.value.line


@pytest.mark.parametrize(
    ("facts", "path", "says"),
    [
        ({"contakt": "no"}, "contakt", "did you mean 'contact'"),
        ({"contact": "No"}, "contact", "did you mean 'no'"),
        ({"contact": False}, "contact", "unknown answer"),
        ({"contact": ["no"]}, "contact", "unknown answer"),
        ({"minutes": "15"}, "minutes", "finite number of min"),
        ({"minutes": True}, "minutes", "finite number of min"),
        ({"minutes": float("nan")}, "minutes", "finite number of min"),
        ({"minutes": Decimal("sNaN")}, "minutes", "finite number of min"),
        ({"minutes": float("inf")}, "minutes", "finite number of min"),
        ({"minutes": {}}, "minutes", "finite number of min"),
        ({"contact": "no", "minutes": 60.5}, "contact", "contact, minutes cannot occur together"),
    ],
)
def test_facts_that_cannot_be_classified_are_refused_with_the_fact_as_path(facts, path, says):
    with pytest.raises(CriteriaError) as error:
        Criteria.parse(FILE).classify(facts)
    assert (error.value.line, error.value.path) == (None, path)
    assert says in error.value.message


@pytest.mark.parametrize(
    ("minutes", "tier"),
    [(14.999, "no"), (15, "high"), (15.0, "high"), (Decimal("14.9999999999999999"), "no")],
)
def test_a_measured_answer_is_compared_as_the_decimal_it_is_written_as(minutes, tier):
    assert Criteria.parse(FILE).classify({"contact": "12:30", "minutes": minutes}).tier == tier


def test_one_tenth_is_one_tenth_whatever_its_binary_value():
    criteria = Criteria.parse(
        FILE.replace("[15, 60.5]", "[0.1, 60.5]").replace("at_least: 15", "at_least: 0.1")
    )
    assert criteria.classify({"contact": "12:30", "minutes": 0.1}).tier == "high"
    assert criteria.classify({"contact": "12:30", "minutes": Decimal("0.0999")}).tier == "no"


HOSTILE = [
    ("too large", "a: " + "x" * MOST_BYTES, "256 KiB"),
    ("too large in bytes", "a: " + "\N{SNOWMAN}" * (MOST_BYTES // 3), "256 KiB"),
    ("deep flow", "[" * 100_000, "nested more than 12"),
    ("deep mappings", "".join("  " * depth + f"k{depth}:\n" for depth in range(300)), "nested more than 12"),
    ("deep lists", "- " * 100_000, "nested more than 12"),
    ("many questions", "? " * 100_000, "plain text"),
    ("aliases that double", "a: &a [x, x]\nb: &b [*a, *a]\nc: &c [*b, *b]\n", "anchors"),
    ("many keys", "".join(f"k{at}: 1\n" for at in range(20_000)), "unknown key"),
    ("many rules", "".join(f"- {at}\n" for at in range(30_000)), "must be a mapping"),
    ("one long line", "a: [" + "1, " * 80_000 + "]", "unknown key"),
    ("one long number", "pathogen: a\nversion: " + "1" * 200_000, "is missing"),
    ("surrogate", "pathogen: \ud800", "U+D800"),
]


@pytest.mark.parametrize(
    ("content", "says"), [case[1:] for case in HOSTILE], ids=[case[0] for case in HOSTILE]
)
def test_a_hostile_file_is_refused_in_bounded_time(content, says):
    began = time.perf_counter()
    with pytest.raises(CriteriaError) as error:
        Criteria.parse(content)
    assert says in error.value.message
    assert time.perf_counter() - began < 30  # at most some seconds on an idle machine


@pytest.mark.parametrize("content", ["[" * 100_000, "a: [" + "1, " * 30_000 + "]"], ids=["deep", "long"])
def test_a_hostile_file_is_refused_in_bounded_memory(content):
    tracemalloc.start()
    with pytest.raises(CriteriaError):
        Criteria.parse(content)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 200_000_000


def test_entangled_rules_are_refused_in_bounded_time_instead_of_never_ending():
    chance = random.Random(1)
    answers = ", ".join(f"{{code: {code}, label: L}}" for code in "vwxyz")
    lines = [
        "pathogen: example",
        "version: 1",
        "title: T",
        "tiers: [{code: a, label: A}, {code: b, label: B}]",
    ]
    lines += ["facts:", *(f"  - {{name: f{at}, ask: Q, answers: [{answers}]}}" for at in range(60)), "rules:"]
    for at in range(120):
        when = {
            f"f{fact}": f"[{', '.join(chance.sample('vwxyz', 2))}]" for fact in chance.sample(range(60), 4)
        }
        named = ", ".join(f"{fact}: {codes}" for fact, codes in when.items())
        lines.append(f"  - {{id: R{at}, tier: b, when: {{{named}}}}}")
    criteria = Criteria.parse("\n".join(lines))
    began = time.perf_counter()
    with pytest.raises(CriteriaError, match="too entangled"):
        criteria.classify({})
    assert time.perf_counter() - began < 60
    with pytest.raises(CriteriaError, match="too entangled") as error:
        Criteria.parse("\n".join([*lines, "impossible: [{f0: [v], f1: [w]}]"]))
    assert (error.value.line, error.value.path) == (lines.index("rules:") + 2, "rules")


def test_what_cannot_occur_together_names_only_what_was_answered():
    """A set of which one answer is not known is not the reason, even where the file names it first."""
    eyes = "  - {name: eyes, ask: E, answers: [{code: shut, label: S}, {code: open, label: O}]}\n"
    content = FILE.replace("rules:\n", f"{eyes}rules:\n", 1)
    content = content.replace("impossible:\n", "impossible:\n  - {contact: [no], eyes: [open]}\n", 1)
    with pytest.raises(CriteriaError, match="the answers to contact, minutes cannot occur together"):
        Criteria.parse(content).classify({"contact": "no", "minutes": 60.5})


def test_the_example_of_a_finding_gives_what_does_not_matter_its_first_answer():
    eyes = "  - {name: eyes, ask: E, answers: [{code: shut, label: S}, {code: open, label: O}]}\n"
    content = FILE.replace("rules:\n", f"{eyes}rules:\n", 1).replace(
        "when: {contact: [12:30]", "when: {contact: [no]"
    )
    [falling] = [one for one in Criteria.parse(content).findings() if one.kind == "not_monotone"]
    earlier, later = falling.witness
    assert (earlier["contact"], later["contact"]) == ("no", "12:30")
    assert (earlier["eyes"], later["eyes"]) == ("shut", "shut")


@given(st.text(max_size=300))
def test_any_text_is_a_file_or_a_criteria_error(content):
    error = refusal(content)
    assert error is None or (error.message and error.line)


@settings(max_examples=300)
@given(st.data())
def test_a_file_with_any_stretch_replaced_is_a_file_or_a_criteria_error_with_a_line(data):
    start = data.draw(st.integers(0, len(FILE)))
    end = data.draw(st.integers(start, min(len(FILE), start + 40)))
    pieces = st.sampled_from(
        (*"[]{}&*!|>%@`'\",:-? \n\t#~", "<<", "null", "- ", "? ", "\n  ", "1e9", "---\n")
    )
    middle = "".join(data.draw(st.lists(st.one_of(pieces, st.characters()), max_size=8)))
    error = refusal(FILE[:start] + middle + FILE[end:])
    assert error is None or 1 <= error.line <= FILE.count("\n") + len(middle) + 1


def refusal(content):
    try:
        Criteria.parse(content)
    except CriteriaError as error:
        return error
    return None


@pytest.mark.parametrize(
    ("span", "start", "end"),
    [
        (
            Duration(30, "m"),
            datetime(2026, 1, 1, 23, 45, tzinfo=UTC),
            datetime(2026, 1, 2, 0, 15, tzinfo=UTC),
        ),
        (Duration(2, "h"), datetime(2026, 1, 1, 23, tzinfo=UTC), datetime(2026, 1, 2, 1, tzinfo=UTC)),
        (Duration(3, "d"), date(2024, 2, 27), date(2024, 3, 1)),
        (Duration(6, "w"), date(2026, 1, 1), date(2026, 2, 12)),
        (Duration(4, "mo"), date(2026, 1, 1), date(2026, 5, 1)),
        (Duration(1, "mo"), date(2024, 1, 31), date(2024, 2, 29)),  # the month lacks the day: its last
        (Duration(1, "mo"), date(2026, 1, 31), date(2026, 2, 28)),
        (Duration(3, "mo"), datetime(2025, 11, 30, 7, tzinfo=UTC), datetime(2026, 2, 28, 7, tzinfo=UTC)),
        (Duration(12, "mo"), date(2024, 2, 29), date(2025, 2, 28)),
    ],
)
def test_a_span_is_added_to_a_moment_with_months_by_the_calendar(span, start, end):
    assert span.after(start) == end


@pytest.mark.parametrize(
    ("span", "end", "start"),
    [
        (Duration(8, "h"), datetime(2026, 1, 1, 2, tzinfo=UTC), datetime(2025, 12, 31, 18, tzinfo=UTC)),
        (Duration(2, "w"), date(2024, 3, 7), date(2024, 2, 22)),
        (Duration(1, "mo"), date(2024, 3, 31), date(2024, 2, 29)),
        (Duration(3, "mo"), date(2026, 1, 15), date(2025, 10, 15)),
    ],
)
def test_a_span_is_taken_from_a_moment_by_the_same_rules(span, end, start):
    assert span.before(end) == start


def test_hours_cannot_be_added_to_a_date():
    with pytest.raises(ValueError, match="give a datetime"):
        Duration(2, "h").after(date(2026, 1, 1))


@pytest.mark.parametrize("escape", ["\\0", "\\x00", "\\uD800", "\\udfff", "\\U0000D834"])
@pytest.mark.parametrize("key", ["title", "version"])
def test_a_character_that_no_database_keeps_is_refused_with_its_line_also_by_its_escape(key, escape):
    lines = [f'{key}: "a{escape}b"' if line.startswith(f"{key}:") else line for line in FILE.split("\n")]
    error = refusal("\n".join(lines))
    assert (error.line, error.path) == (lines.index(f'{key}: "a{escape}b"') + 1, key)
    assert "is not allowed; remove" in error.message
    assert refusal(FILE + f'\n"a{escape}": 1\n').line > FILE.count("\n")


@pytest.mark.parametrize("character", ["\0", "\ud800"])
def test_a_character_that_no_database_keeps_is_refused_with_its_line(character):
    error = refusal(f"pathogen: example\nversion: 1{character}\n")
    assert error.line == 2
    assert "is not allowed; remove it" in error.message
