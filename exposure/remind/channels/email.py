"""E-mail, through whatever Django is set up with."""

from smtplib import (
    SMTPDataError,
    SMTPException,
    SMTPRecipientsRefused,
    SMTPResponseException,
    SMTPSenderRefused,
)

from django.conf import settings
from django.core.mail import EmailMessage

from exposure.remind.channels.letter import Letter
from exposure.remind.channels.refusal import Refused

# "Authentication required" (RFC 4954, section 6) and "Must issue a STARTTLS command first" (RFC 3207, section 4): our
# own set-up, which somebody will mend.
OURS_TO_MEND = frozenset({530, 534, 535, 538})


def send(letter: Letter) -> None:
    """Send one letter; the same Message-ID at every attempt. Raises Refused."""
    mail = EmailMessage(
        letter.subject,
        letter.body,
        settings.DEFAULT_FROM_EMAIL,
        [letter.address],
        headers={"Message-ID": f"<{letter.uid}@{_domain()}>"},
    )
    try:
        mail.send()
    except SMTPRecipientsRefused as error:
        codes = sorted({code for code, _words in error.recipients.values()})
        raise Refused(f"{type(error).__name__} {codes}", permanent=all(map(_is_final, codes))) from error
    except SMTPResponseException as error:
        of_the_letter = isinstance(error, SMTPSenderRefused | SMTPDataError)
        final = of_the_letter and _is_final(error.smtp_code)
        raise Refused(f"{type(error).__name__} {error.smtp_code}", permanent=final) from error
    except (SMTPException, OSError) as error:
        raise Refused(type(error).__name__, permanent=False) from error
    except ValueError as error:  # an address or a subject that cannot be one
        raise Refused(type(error).__name__, permanent=True) from error


def _domain() -> str:
    return settings.DEFAULT_FROM_EMAIL.rpartition("@")[2].strip(" >")


def _is_final(code: int) -> bool:
    """A permanent negative reply (RFC 5321, section 4.2.1: 5yz)."""
    return 500 <= code < 600 and code not in OURS_TO_MEND
