"""What a station's tablet makes of a report (JavaScript, run by node), read here: sealed, its reference, its lines to
be read out."""

import base64
import json
import random
import uuid

import pytest

from config.report_key import new_report_key, report_keys
from exposure.report.sealed import PURPOSE, CannotOpen, Envelope, opened, public_key
from exposure.report.spoken import Misheard, read_block
from exposure.report.submission import ALPHABET, reference
from tests.classify.test_criteria_page import node_running


def body(chance, **changes):
    return {
        "submission_id": str(uuid.UUID(int=chance.getrandbits(128))),
        "station": "heron",
        "worker": chance.choice(("SG-1042", "0c7b4b1e-52a7-4e0e-8f6b-5f5e0b2d2f10", None)),
        "occurred_at": f"2026-03-{chance.randint(1, 28):02}T{chance.randint(0, 23):02}:15:00+00:00",
        "phase": "removal",
        "drill": chance.random() < 0.2,
        "what_happened": chance.choice(("glove_tear", "sharp", "other")),
        "facts": {"contact": "splash", "minutes": chance.choice((20, 7.5)), "skin": None},
        "narrative": "Zoë said: “ouch”.",
        **changes,
    }


@pytest.fixture
def keys(settings):
    """The key in use, and an earlier one."""
    settings.REPORT_KEYS = report_keys(new_report_key() + new_report_key())
    return settings.REPORT_KEYS


def made(bodies):
    """What the tablet's modules make of them."""
    point = public_key()["point"]
    info = [PURPOSE + uuid.UUID(one["submission_id"]).bytes for one in bodies]
    lines = [
        {"point": point, "info": base64.b64encode(of).decode(), "body": one}
        for of, one in zip(info, bodies, strict=True)
    ]
    return node_running("tests/report/seal_with_node.mjs", lines)


def envelope(said, one, **changes):
    return Envelope(
        **{
            "submission_id": uuid.UUID(one["submission_id"]),
            "key": public_key()["id"],
            "sealed": said["sealed"],
            "sent_at": "",
            **changes,
        }
    )


def test_what_the_tablet_seals_opens_here_and_its_reference_and_lines_say_the_same(keys, settings):
    """Opened by the HPKE (RFC 9180) of the package `cryptography`, which is not ours."""
    chance = random.Random("tablet")
    bodies = [body(chance) for _ in range(200)]
    for one, said in zip(bodies, made(bodies), strict=True):
        assert opened(envelope(said, one)) == one
        assert said["reference"] == reference(uuid.UUID(one["submission_id"]))
        heard = read_block("\n".join(said["lines"]).lower().replace("0", "o"))
        told = ("submission_id", "station", "phase", "what_happened", "drill", "occurred_at")
        assert {name: heard[name] for name in told} == {name: one[name] for name in told}
        assert heard.get("worker") == (one["worker"] and one["worker"].lower())
        assert heard["facts"] == {name: answer for name, answer in one["facts"].items() if answer is not None}
        assert "narrative" not in heard
    settings.REPORT_KEYS = keys[::-1]  # the other is given out now
    assert opened(envelope(said, one, key="")) == one


def test_what_was_sealed_for_another_id_or_key_or_was_changed_does_not_open(keys, settings):
    one = body(random.Random(1))
    [said] = made([one])
    raw = bytearray(base64.b64decode(said["sealed"]))
    raw[-1] ^= 1
    for changes in (
        {"submission_id": uuid.uuid4()},
        {"sealed": base64.b64encode(raw).decode()},
        {"sealed": "no base64"},
        {"sealed": ""},
    ):
        with pytest.raises(CannotOpen):
            opened(envelope(said, one, **changes))
    settings.REPORT_KEYS = report_keys(new_report_key())
    with pytest.raises(CannotOpen):
        opened(envelope(said, one))
    settings.REPORT_KEYS = ()
    assert public_key() is None


def test_a_slip_is_noticed_in_its_line(keys):
    """Every wrong symbol and every neighbours' swap but 0 with Z (what Luhn notices, by its definition), lines in the
    wrong order, a line left out."""
    [said] = made([body(random.Random(2))])
    lines = [line.replace(" ", "") for line in said["lines"]]
    assert len(lines) > 6

    def refused(at, line):
        with pytest.raises(Misheard) as misheard:
            read_block("\n".join([*lines[:at], line, *lines[at + 1 :]]))
        return misheard.value.line

    for at, line in enumerate(lines):
        for place, letter in enumerate(line):
            for other in ALPHABET.replace(letter, ""):
                assert refused(at, line[:place] + other + line[place + 1 :]) == at + 1
            beside = line[place + 1 : place + 2]
            if beside and beside != letter and {beside, letter} != {"0", "Z"}:
                assert refused(at, line[:place] + beside + letter + line[place + 2 :]) == at + 1
    for wrong in (lines[::-1], lines[:-1], lines[1:], [], [*lines, lines[-1]]):
        with pytest.raises(Misheard):
            read_block("\n".join(wrong))


def test_what_cannot_be_spoken_is_left_unknown(keys):
    odd = {"contact": "Ünknown|code", "skin": "a,b", "name with blank": "x", "minutes": 15}
    [said] = made([body(random.Random(3), facts=odd, occurred_at="", worker="ΩΩ")])
    heard = read_block("\n".join(said["lines"]))
    assert heard["facts"] == {"minutes": 15}
    assert "worker" not in heard
    assert "occurred_at" not in heard
    assert json.dumps(heard)
