"""In a real browser: the usual report by taps alone, and the size of everything that a gloved finger aims at."""

from datetime import timedelta
from uuid import uuid4

import pytest
from playwright.sync_api import expect

from exposure.pipeline.remove import mark_step, start_removal
from exposure.places.models import FailureType, Protocol
from exposure.report.models import Breach, Removal
from tests.cast import MONDAY, doing

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

# CSS px to the millimetre: 132 CSS px to the inch on each of these tablets (maker's figures, from memory), so that
# 20 mm are 104 px, 15 mm are 78 px and 3 mm are 15.6 px.
PER_MM = 132 / 25.4
TABLETS = {"upright": (820, 1180), "smaller": (810, 1080), "larger": (1024, 1366), "lying": (1180, 820)}
MOST_TAPS = 8
# What is too small or too near: [what, words, width, height or gap], in px.
SMALL = """([large, other, gap]) => {
  const aims = 'a[href], button, summary, label, input:not([type=radio]), textarea';
  const found = [], boxes = [];
  for (const target of document.querySelectorAll(aims)) {
    const box = target.getBoundingClientRect();
    if (target.matches('.skip, label:not(.choice label)') || !box.width || !target.checkVisibility()) continue;
    const words = (target.innerText || target.name).trim().slice(0, 40);
    const primary = target.matches('main .button:not(.quiet)') && !target.closest('.rest, .said');
    const least = primary ? large : other;
    if (box.height < least || (target.matches('.button') && box.width < least))
      found.push(['small', words, box.width, box.height]);
    if (target.closest('main')) boxes.push([words, box]);
  }
  for (const [index, [words, one]] of boxes.entries())
    for (const [others, two] of boxes.slice(index + 1)) {
      const across = Math.max(one.left, two.left) - Math.min(one.right, two.right);
      const down = Math.max(one.top, two.top) - Math.min(one.bottom, two.bottom);
      if (Math.max(across, down) < gap) found.push(['near', words, others, Math.max(across, down)]);
    }
  return found;
}"""
GOES_ON = ".go-on .ink, .taps .ink, .choose .button, .actions .primary, .actions .ink, .send .button"


def least_sizes():
    """Of what leads on, of all else, and of what lies between, in px."""
    return [millimetres * PER_MM - 0.5 for millimetres in (20, 15, 3)]


def removal(cast, code="contact", **changes):
    with doing(cast.observer):
        protocol = Protocol.objects.get(code=code)
        told = {"worker": cast.worker, "drill": False, "by": cast.observer, "at": MONDAY, **changes}
        return start_removal(station=cast.station, protocol=protocol, **told)


def test_the_usual_report_takes_eight_taps_and_no_typing(cast, sign_in, standing_clock, capsys):
    """From the station's page to the reference, on a telephone without a removal that is guided: the longest way."""
    standing_clock(MONDAY)
    removal(cast)
    phone = sign_in("observer", 390, 844)
    phone.goto("/stations/heron/")
    taps = []

    def tap(words, role="button", *, exact=True):
        taps.append(words)
        phone.get_by_role(role, name=words, exact=exact).click()

    tap("Report something", "link")
    for group in phone.locator(".six a, .four button").all():
        box = group.bounding_box()
        assert box["y"] + box["height"] <= 844, "every group and emergency is on the first screen"
    tap("Gloves or clothes", "link")
    tap("Inner glove torn")
    tap("Done, or being done")
    tap("Wim Alder", exact=False)
    tap("Real, during the removal")
    expect(phone.get_by_role("heading", level=1)).to_contain_text("Did anything contaminated reach or pierce")
    assert "household" not in phone.content(), "a torn glove asks about no household and no laboratory"
    tap("Yes, whole skin")
    tap("No")
    reference = phone.locator(".reference").inner_text()
    breach = Breach.objects.get()
    assert (reference, breach.worker, breach.phase) == (breach.reference, cast.worker, "removal")
    assert breach.facts == {"contact": "breach", "skin": "intact"}
    assert phone.locator(".reference").evaluate("line => line.getClientRects().length") == 1
    assert len(taps) <= MOST_TAPS
    with capsys.disabled():
        print(f"\nthe usual report, not guided: {len(taps)} taps, nothing typed: {', '.join(taps)}")


def test_a_second_tap_of_the_same_finger_does_nothing(cast, sign_in, standing_clock):
    """It lands where the next page shows its own buttons by then."""
    standing_clock(MONDAY)
    current = removal(cast)
    tablet = sign_in("observer", 820, 1180)
    tablet.goto(f"/removals/{current.uid}/")
    tablet.wait_for_timeout(600)
    box = tablet.get_by_role("button", name="Done").bounding_box()
    place = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    with tablet.expect_navigation(wait_until="commit"):
        tablet.mouse.click(*place)
    tablet.wait_for_selector(".step")
    tablet.mouse.click(*place)
    tablet.wait_for_timeout(600)
    expect(tablet.locator(".where")).to_contain_text("Step 2 of 6")
    assert Removal.objects.get().at_step == 2
    tablet.mouse.click(*place)
    expect(tablet.locator(".where")).to_contain_text("Step 3 of 6")


def pages(cast, tablet):
    """Every page of the station, one after the other; the tablet stands on it."""
    at = MONDAY
    current = removal(cast, "coverall-powered", worker=None, unlisted="Bea Sorrel")
    with doing(cast.observer):
        step = current.protocol.steps.get(code="coverall-off")
        mark = mark_step(
            removal=current,
            step=step,
            uid=uuid4(),
            failure=FailureType.objects.get(code="glove_tear"),
            by=cast.observer,
            at=at,
        )
    removal(cast, at=at + timedelta(seconds=1))
    tablet.goto("/stations/")
    yield "stations"
    for address in ("", "sheet/", "start/", "start/?protocol=contact", "start/?protocol=contact&drill=no"):
        tablet.goto(f"/stations/heron/{address}")
        yield address or "station"
    tablet.goto("/stations/heron/start/?protocol=contact&drill=no&who=name")
    yield "name"
    tablet.locator("#id_name").fill("Bea")
    tablet.get_by_role("button", name="Start the removal").click()
    yield "unlisted"
    tablet.goto(f"/removals/{current.uid}/")
    tablet.get_by_role("button", name="Done").click()
    yield "step"
    tablet.get_by_role("button", name="Pause").click()
    yield "paused"
    tablet.get_by_role("button", name="Emergency exit").click()
    yield "way out"
    for failure in ("glove_tear", "splash_eyes"):
        tablet.goto(f"/removals/{current.uid}/marks/{mark.uid}/?again=yes")
        yield "what went wrong"
        button = tablet.locator(f"button[value={failure}], button[value=eyes]").first
        button.click()
        yield "first aid"
    tablet.goto(f"/removals/{current.uid}/")
    tablet.get_by_role("button", name="End here").click()
    yield "question"
    tablet.goto("/stations/heron/report/")
    yield "what"
    for group in ("skin", "cover"):
        tablet.goto(f"{tablet.url.partition('&group')[0]}&group={group}")
        yield group
    tablet.get_by_role("button", name="Inner glove torn").click()
    yield "aid"
    tablet.get_by_role("button", name="has begun").click()
    yield "begun"
    tablet.get_by_role("button", name="Not done").click()
    yield "who"
    tablet.get_by_role("button", name="Wim Alder").click()
    yield "point"
    tablet.get_by_role("button", name="Real, in the room").click()
    yield "when"
    tablet.get_by_role("button", name="Just now").click()
    yield "fact"
    tablet.get_by_role("button", name="Don't know").click()
    yield "review"
    tablet.get_by_role("button", name="Yes", exact=True).click()
    yield "sent"


def test_a_gloved_finger_hits_everything_on_every_page_and_going_on_is_in_sight(
    cast, sign_in, standing_clock
):
    standing_clock(MONDAY)
    tablet = sign_in("observer", *TABLETS["upright"])
    wrong, seen = [], 0
    for name in pages(cast, tablet):
        seen += 1
        for kind, (width, height) in TABLETS.items():
            tablet.set_viewport_size({"width": width, "height": height})
            wrong += [(name, kind, *what) for what in tablet.evaluate(SMALL, least_sizes())]
            if kind == "upright":
                first = tablet.locator(f"main :is({GOES_ON})").first
                box = first.bounding_box() if first.count() else None
                if box and box["y"] + box["height"] > height:
                    wrong.append((name, "below the fold", first.inner_text()))
        tablet.set_viewport_size(dict(zip(("width", "height"), TABLETS["upright"], strict=True)))
    assert wrong == [], "\n".join(map(str, wrong))
    assert seen >= 25
