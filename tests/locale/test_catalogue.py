"""The French catalogue: whole, exact and compiled. Read from the files themselves, so that a sentence without French
fails here; `python -m tests.locale` brings it in."""

import gettext
import io
import re
from collections import Counter

import pytest
from django.utils import translation

from tests.locale.catalogue import HEADER, MO, PO, compiled, entries, read
from tests.locale.sources import (
    ENGLISH_FOLDERS,
    ENGLISH_TEMPLATES,
    EXPOSURE,
    KEPT,
    SHOWN,
    Sentence,
    in_python,
    in_template,
    sentences,
    templates,
)

FRENCH = entries()
PLACEHOLDER = re.compile(r"%(?:\(\w+\))?[sd]|%%|\{\w*\}")
MARKUP = re.compile(r"<[^>]+>")
NUMBER = re.compile(r"\d+(?:[.,:]\d+)*")


def pairs():
    """(English, French) of every form."""
    for sentence, french in FRENCH.items():
        yield from zip((sentence.words, sentence.plural or sentence.words), french, strict=False)


def wrong(differs):
    return [pair for pair in pairs() if differs(*pair)]


def test_every_sentence_of_their_pages_and_messages_has_its_french():
    assert [sentence.words for sentence in sentences() if not all(FRENCH.get(sentence, ("",)))] == []


def test_nothing_is_translated_that_no_page_says():
    """What goes into rows stays out: it would be kept in the language of whoever caused it."""
    assert set(FRENCH) - set(sentences()) == set()


@pytest.mark.parametrize("name", SHOWN)
def test_a_sentence_of_a_file_with_both_is_either_shown_or_kept(name):
    found = {sentence.words for sentence in in_python((EXPOSURE / name).read_text())}
    assert found == SHOWN[name] | KEPT[name]
    assert not SHOWN[name] & KEPT[name]


def test_no_page_of_theirs_includes_a_part_that_is_english():
    included = re.compile(r"{%\s*(?:include|extends)\s+\"([^\"]+)\"")
    parts = {part for page in templates() for part in included.findall(page.read_text())}
    assert parts & ENGLISH_TEMPLATES == set()
    assert {part for part in parts if part.partition("/")[0] in ENGLISH_FOLDERS} == set()


def test_plurals_have_both_forms():
    assert {len(french) for sentence, french in FRENCH.items() if sentence.plural} == {2}


def test_placeholders_are_the_same():
    assert (
        wrong(lambda english, french: set(PLACEHOLDER.findall(english)) ^ set(PLACEHOLDER.findall(french)))
        == []
    )


def test_markup_is_the_same():
    assert (
        wrong(lambda english, french: Counter(MARKUP.findall(english)) != Counter(MARKUP.findall(french)))
        == []
    )


def test_numbers_are_the_same():
    def numbers(text):
        without_places = PLACEHOLDER.sub("", text)
        return Counter(number.replace(",", ".") for number in NUMBER.findall(without_places))

    assert wrong(lambda english, french: numbers(english) != numbers(french)) == []


def test_lines_and_ends_are_the_same():
    def shape(text):
        return text.count("\n"), text[-1] in ".?!", text[:1].isspace(), text[-1:].isspace()

    assert wrong(lambda english, french: shape(english) != shape(french)) == []


def test_it_is_set_as_french_is_printed():
    """Imprimerie nationale, Lexique des règles typographiques (from memory): thin no-break space before ; ! ? and
    inside « »; before the colon a no-break space, here the same thin one."""
    plain = re.compile(r"(?<![\u202f\s])[;!?»](?!\w)| [;:!?»]|« |«(?!\u202f)|'|\"(?![\w\s=>])")
    said = {
        text for one, french in FRENCH.items() if not one.context.startswith("date format") for text in french
    }
    assert [text for text in said if plain.search(MARKUP.sub("", text))] == []
    assert not [text for text in said if re.search(r"[^\u202f\d%]:(?!\d)", MARKUP.sub("", text))]


def test_nobody_is_addressed_as_tu():
    assert [
        french for _english, french in pairs() if re.search(r"\b(?:tu|toi|ton|tes)\b", french, re.I)
    ] == []


def test_the_compiled_file_is_what_the_text_compiles_to():
    translations = read(PO.read_text(encoding="utf-8"))
    assert MO.read_bytes() == compiled(translations), "run python -m tests.locale"
    understood = gettext.GNUTranslations(io.BytesIO(MO.read_bytes()))  # the standard library's own reader
    assert understood.info()["language"] == "fr"
    for sentence, french in FRENCH.items():
        if sentence.plural:
            assert (understood.ngettext(sentence.words, sentence.plural, 1),) == french[:1]
            assert (understood.ngettext(sentence.words, sentence.plural, 2),) == french[1:]
        elif sentence.context:
            assert (understood.pgettext(sentence.context, sentence.words),) == french
        else:
            assert (understood.gettext(sentence.words),) == french


def test_the_library_of_the_door_is_in_french_too():
    """Its own catalogue: what its forms and pages say that we do not say ourselves."""
    with translation.override("fr"):
        for words in (
            "Password",
            "Incorrect password.",
            "Forgot your password?",
            "New Password (again)",
            "Your password has been reset.",
            "Enter Sign-In Code",
            "A sign-in code has been sent to %(recipient)s.",
            "The username and/or password you specified are not correct.",
            "Incorrect code.",
            "Unused codes",
            "Your sign-in code is listed below. Please enter it in your open browser window.",
        ):
            assert translation.gettext(words) != words, words


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ('_("A") + gettext_lazy("B")', {Sentence("A"), Sentence("B")}),
        ('ngettext("%(n)s one", "%(n)s many", n)', {Sentence("%(n)s one", "%(n)s many")}),
        ('pgettext("when", "May")', {Sentence("May", context="when")}),
        ('_("two " "parts") % {"a": _("in")}', {Sentence("two parts"), Sentence("in")}),
        ("_(name)", set()),
    ],
)
def test_python_is_read_whole(source, found):
    assert set(in_python(source)) == found


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ('{% load i18n %}{% translate "It\'s" %}', {Sentence("It's")}),
        ('{% translate "j F" context "when" as x %}', {Sentence("j F", context="when")}),
        ('{% include "x" with words=_("Here") %}', {Sentence("Here")}),
        ("{% blocktranslate trimmed %}\n  A {{ b }}\n  c{% endblocktranslate %}", {Sentence("A %(b)s c")}),
        (
            "{% blocktranslate count n=x %}{{ n }} one{% plural %}{{ n }} more{% endblocktranslate %}",
            {Sentence("%(n)s one", "%(n)s more")},
        ),
    ],
)
def test_templates_are_read_whole(source, found):
    assert set(in_template(source)) == found


def test_the_header_says_what_it_is():
    (header,) = read(PO.read_text(encoding="utf-8"))[HEADER]
    assert "Language: fr\n" in header
    assert "charset=UTF-8" in header
