"""What a guesser tries before long is no password. The words are of Django's list of 20,000, which is the outside check
here (django.contrib.auth.password_validation); the ways to lengthen one are common practice, no source."""

import gzip
from pathlib import Path

import pytest
from django.contrib.auth import password_validation
from django.core.exceptions import ValidationError
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from exposure.people.passwords import is_guessed
from tests.cast import MONDAY, PASSWORD

LISTED = Path(password_validation.__file__).with_name("common-passwords.txt.gz")
COMMON = gzip.decompress(LISTED.read_bytes()).decode().split()


@pytest.mark.parametrize(
    "password",
    [
        "passwordpassword", "PasswordPassword", "Password12345678", "123password456789", "P@ssw0rdP@ssw0rd",
        "aaaaaaaaaaaaaaaa", "abababababababab", "123456789012345", "987654321098765", "abcdefghijklmnop",
        "qwertyuiopasdfgh", "mnbvcxzlkjhgfdsa", "letmeinletmeinletmein", "trustno1trustno1", "dragon!!!!!!!!!!!!!!!",
    ],
)  # fmt: skip
def test_a_common_word_made_longer_is_refused(password):
    assert is_guessed(password)
    with pytest.raises(ValidationError):
        password_validation.validate_password(password)


@pytest.mark.parametrize(
    "password",
    [
        "heron-saltmarsh-quay",
        "four grey kettles sing",
        "xK4vQ-mmpt2-Zu7wq",
        "aperto il lunedì sera",
        PASSWORD,
    ],
)
def test_several_words_and_random_characters_are_taken(password):
    assert not is_guessed(password)


@given(st.sampled_from(COMMON), st.integers(1, 4), st.text("0123456789!?.", max_size=8))
def test_a_common_word_stays_common_however_often_and_with_whatever_figures_behind(word, times, figures):
    plain = word.strip("0123456789!?._-*@#$ ")
    assert is_guessed(word * times + figures) or plain != word or not word.isascii()


@pytest.mark.database
def test_the_page_says_what_to_do_instead(cast, client, standing_clock):
    standing_clock(MONDAY)
    client.force_login(cast.nurse)
    new = {"password1": "passwordpassword", "password2": "passwordpassword"}
    page = client.post(reverse("account_change_password"), {"oldpassword": PASSWORD, **new})
    assert "Take four words" in page.content.decode()
