"""Filters for whatever people typed as a name, and for shipped texts; every template knows them.

{{ worker.name|default:_("nobody named")|bdi }}     in the text of a page
{{ worker.name|isolated }}                          in a title or an option, where no markup can stand
{{ card.title|shipped }}                            a text of protocols, cards or criteria, in the reader's language
{{ reading.could_not|as_said }}                     typed, or chosen by a tap
"""

from django import template
from django.utils.html import format_html, format_html_join

from exposure import wording
from exposure.web import bidi

register = template.Library()


@register.filter
def bdi(name: object) -> str:
    """A name (several: with commas between) that cannot change the order of what stands beside it; empty for None."""
    if isinstance(name, list | tuple):
        return format_html_join(", ", "{}", ((bdi(each),) for each in name))
    shown = bidi.without_turns(str(name or ""))
    return format_html("<bdi>{}</bdi>", shown) if shown else ""


register.filter("isolated", bidi.isolated)
register.filter("shipped", wording.shipped)
register.filter("as_said", wording.as_said)
