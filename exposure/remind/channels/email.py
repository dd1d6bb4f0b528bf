"""E-mail, through whatever Django is set up with."""

from smtplib import SMTPException, SMTPRecipientsRefused

from django.conf import settings
from django.core.mail import EmailMessage

from exposure.remind.channels.letter import Letter
from exposure.remind.channels.refusal import Refused


def send(letter: Letter) -> None:
    """Send one message; the same Message-ID at every attempt. Raises Refused."""
    mail = EmailMessage(
        letter.subject,
        letter.body,
        settings.DEFAULT_FROM_EMAIL,
        [letter.address],
        headers={"Message-ID": f"<{letter.uid}@{settings.DEFAULT_FROM_EMAIL.rpartition('@')[2]}>"},
    )
    try:
        mail.send()
    except SMTPRecipientsRefused as error:
        codes = {code for code, _ in error.recipients.values()}
        raise Refused(
            f"The address was refused ({sorted(codes)}).", permanent=all(code >= 500 for code in codes)
        ) from error
    except (SMTPException, OSError, ValueError) as error:
        raise Refused(f"{type(error).__name__}: {error}", permanent=isinstance(error, ValueError)) from error
