"""What was found of somebody who was evaluated, in the words in which it is kept."""

from django.utils.translation import gettext as _

from exposure.refusal import BadSubmission, Problem
from exposure.report.cases import early_test

LONGEST = 9999  # hours since the onset of symptoms: more than a year


def finding_in_words(
    finding: str = "", *, diagnosis: str = "", test: str = "", hours_since_onset: int | None = None
) -> str:
    """A diagnosis, or a test with its result and its whole hours since the onset of symptoms; `finding` are other words
    for it. Raises BadSubmission where nothing is named, or a test without its hours."""
    said = [words.strip() for words in (diagnosis, finding) if words.strip()]
    if test.strip():
        said.append(tested(test, hours_since_onset))
    elif hours_since_onset is not None:
        raise BadSubmission(Problem("/test", _("Name the test and its result.")))
    if not said:
        raise BadSubmission(Problem("/diagnosis", _("Name the diagnosis, or the test and its result.")))
    return "\n".join(said)


def tested(words: str, hours: int | None) -> str:
    """The words with how long after the onset the test was taken, and a caution where that is early. Raises
    BadSubmission."""
    if hours is None or not 0 <= hours <= LONGEST:
        asked = _("Say how many hours after the onset of symptoms the test was taken.")
        raise BadSubmission(Problem("/hours_since_onset", asked))
    taken = _("The test was taken %(hours)s hours after onset.") % {"hours": hours}
    return f"{words.strip()} {early_test(hours) or taken}"
