"""The sheet for the people at home: what stands at a site, and its sentences in the reader's language."""

from dataclasses import dataclass

from exposure.places.models import HouseholdAdvice, Site


@dataclass(frozen=True)
class Sentences:
    """`language`: that of the text, an ISO 639-1 code; another than was asked for where nobody wrote that one."""

    language: str
    lines: tuple[str, ...]


def advice_at(site: Site) -> HouseholdAdvice | None:
    """What was approved last there, also where that says that nothing holds any more; None where nothing ever was."""
    return HouseholdAdvice.objects.filter(site=site, replaced_by=None).select_related("approved_by").first()


def sentences(advice: HouseholdAdvice | None, language: str) -> Sentences | None:
    """What the people at home read; None where nothing holds. `language` as Django names it (fr, en-gb)."""
    if advice is None:
        return None
    written = {"fr": advice.french, "en": advice.english}
    for code in (language[:2], "en", "fr"):
        if lines := tuple(line.strip() for line in written.get(code, "").splitlines() if line.strip()):
            return Sentences(code, lines)
    return None
