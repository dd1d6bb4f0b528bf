"""Which channels there are, which of them are set up, and the one that tests use."""

from uuid import uuid4

import pytest

from config.reach import TextGateway
from exposure.people.models import Channel
from exposure.remind.channels.letter import Letter
from exposure.remind.channels.recording import Recording
from exposure.remind.channels.refusal import Refused
from exposure.remind.channels.registry import CHANNELS, available


def test_every_channel_that_somebody_can_choose_is_there():
    assert set(CHANNELS) == set(Channel.values)


@pytest.mark.parametrize(
    ("gateway", "hosts", "names"),
    [
        (None, (), ("email",)),
        (TextGateway("https://x.example", "{to}{text}"), (), ("email", "text")),
        (None, (".push.example",), ("email", "push")),
        (TextGateway("https://x.example", "{to}{text}"), (".push.example",), ("email", "text", "push")),
    ],
)
def test_what_is_not_set_up_is_not_offered(settings, gateway, hosts, names):
    settings.SMS_GATEWAY, settings.PUSH_HOSTS = gateway, hosts
    assert available() == names


def test_the_recording_channel_refuses_as_told_and_keeps_the_rest():
    later, never = Refused("later", permanent=False), Refused("never", permanent=True)
    channel = Recording([later, None, never])
    letters = [Letter(uuid4(), "a", "b", "c") for _letter in range(4)]
    for letter, refusal in zip(letters, [later, None, never, None], strict=True):
        if refusal is None:
            channel(letter)
            continue
        with pytest.raises(Refused) as refused:
            channel(letter)
        assert refused.value is refusal
    assert channel.letters == [letters[1], letters[3]]
