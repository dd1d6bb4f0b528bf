"""The words of messages: every file of every language is read here."""

import re

import pytest
from django.conf import settings

from exposure.remind import texts
from exposure.remind.texts import FOLDER, PLACES, WrongText, languages, text

FILES = sorted(FOLDER.glob("*/*.txt"))
# What a message must not name, in English and French: disease, exposure, part of a hospital, temperature, person. (The
# rule is the service's own; the words are common practice, no source.)
CLINICAL = re.compile(
    r"fever|temperature|thermometer|°|\bsick|\bill\b|symptom|disease|infect|virus|expos|breach|contaminat|isolat|"
    r"quarantine|monitor|reading|follow-up|hospital|ward|unit|patient|blood|health|clinic|"
    r"fi[èe]vre|temp[ée]rature|thermom[èe]tre|malad|sympt[ôo]me|sant[ée]|h[ôo]pital|surveill|contamin|relev[ée]|suivi",
    re.IGNORECASE,
)


@pytest.mark.parametrize("file", FILES, ids=lambda file: f"{file.parent.name}/{file.name}")
def test_no_text_says_what_it_is_about(file):
    words = file.read_text(encoding="utf-8")
    assert not CLINICAL.search(words)
    assert "{site}" in words
    assert "{link}" in words


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("channel", ["email", "text", "push"])
@pytest.mark.parametrize("kind", ["reminder", "page"])
def test_every_kind_has_words_in_every_language_for_every_channel(language, channel, kind):
    subject, body = text(language, kind, channel)
    assert subject
    assert "\n" not in subject
    said = dict.fromkeys(PLACES, "x")
    assert "{" not in subject.format_map(said) + body.format_map(said)


def test_every_language_has_the_same_files():
    names = {language: {file.name for file in (FOLDER / language).iterdir()} for language in languages()}
    assert len(names) >= 2
    assert len({frozenset(found) for found in names.values()}) == 1


def test_a_language_without_texts_gets_those_of_the_site():
    assert text("xx", "reminder", "email") == text(settings.LANGUAGE_CODE, "reminder", "email")
    assert text("", "reminder", "email") == text(settings.LANGUAGE_CODE, "reminder", "email")
    assert text("../en", "reminder", "email") == text(settings.LANGUAGE_CODE, "reminder", "email")


@pytest.mark.parametrize("place", ["name", "temperature", "site.phone", "link!r:>{name}", "0", ""])
def test_a_text_that_asks_for_anything_else_is_refused(tmp_path, monkeypatch, place):
    (tmp_path / "en").mkdir()
    (tmp_path / "en" / "reminder.txt").write_text(f"{{site}}\n\n{{{place}}}\n")
    monkeypatch.setattr(texts, "FOLDER", tmp_path)
    text.cache_clear()
    with pytest.raises(WrongText):
        text("en", "reminder", "email")
    text.cache_clear()


def test_a_text_message_fits_into_three_parts():
    """GSM 03.38 (ETSI TS 123 038): 153 characters of each part of a joined message."""
    longest = {"site": "S" * 30, "link": "https://exposure.example.org/r/" + "x" * 27 + "/", "count": "100"}
    for language in languages():
        for kind in ("reminder", "page"):
            assert len(text(language, kind, "text")[1].format_map(longest)) <= 3 * 153
