"""A link as a picture to point a phone at."""

from io import BytesIO

import qrcode
from django.utils.safestring import SafeString, mark_safe
from qrcode.image.svg import SvgPathImage


def svg(link: str) -> SafeString:
    """The QR code (ISO/IEC 18004) of a link, as an SVG element without XML declaration."""
    drawn = BytesIO()
    qrcode.make(link, image_factory=SvgPathImage, border=2).save(drawn)
    text = drawn.getvalue().decode()
    return mark_safe(text[text.index("<svg") :])
