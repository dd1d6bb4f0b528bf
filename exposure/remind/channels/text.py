"""Text messages, over a gateway that takes JSON by HTTP."""

import json
import re
from typing import Any

from django.conf import settings

from exposure.remind.channels.letter import Letter
from exposure.remind.channels.post import post, refuse_unless_taken
from exposure.remind.channels.refusal import Refused

NUMBER = re.compile(r"\+[0-9]{7,15}")  # ITU-T E.164
PLACEHOLDER = re.compile(r"\{(to|text|reference)\}")


def send(letter: Letter) -> None:
    """Send one letter's body; its `uid` is our reference, and the same at every attempt. Raises Refused."""
    gateway = settings.SMS_GATEWAY
    if gateway is None:
        raise Refused("No gateway is set up.", permanent=True)
    to = letter.address.replace(" ", "")
    if not NUMBER.fullmatch(to):
        raise Refused("Not a number as E.164 writes it.", permanent=True)
    reference = str(letter.uid)
    body = filled(gateway.body, {"to": to, "text": letter.body.strip(), "reference": reference})
    headers = {**gateway.headers, "Content-Type": "application/json", "Idempotency-Key": reference}
    status = post(gateway.url, headers=headers, body=json.dumps(body).encode())
    refuse_unless_taken(status)


def filled(template: Any, values: dict[str, str]) -> Any:
    """The template with its placeholders replaced inside texts, once: what is put in stays text, whatever it holds."""
    if isinstance(template, str):
        return PLACEHOLDER.sub(lambda found: values[found[1]], template)
    if isinstance(template, list):
        return [filled(part, values) for part in template]
    if isinstance(template, dict):
        return {name: filled(part, values) for name, part in template.items()}
    return template
