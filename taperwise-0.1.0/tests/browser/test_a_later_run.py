"""A later run on the phone: how many taps, keys and screens it takes, and that nothing moves under a thumb."""

import json
import re
from typing import Any
from urllib.request import urlopen

import pytest

from tests.browser.conftest import PHONE, Service
from tests.browser.hands import RUN, Thumbs, post, turn_leaner, type_a_run


def _entries(service: Service, home: str) -> list[dict[str, Any]]:
    with urlopen(f"{service.address}/api/v1{home}/history") as answer:  # noqa: S310 - as above
        found: list[dict[str, Any]] = json.load(answer)["entries"]
        return found


@pytest.fixture
def home(service: Service) -> str:
    """An engine with a run."""
    needles = [{"label": "A", "taper_slope": {"value": 30, "unit": "mm/m"}}]
    body = {"needles": needles, "elevation": {"value": 650, "unit": "ft"}}
    number = post(service, "/installations", body)["id"]
    post(service, f"/installations/{number}/runs", RUN)
    return f"/installations/{number}"


def test_a_later_run_takes_few_taps(service: Service, phone: Any, home: str) -> None:
    """The air stands there from the last run; two temperatures, the idle and its speed are entered."""
    phone.goto(f"{service.address}{home}")
    phone.wait_for_selector(".step")
    thumbs = Thumbs(phone)
    thumbs.see()
    thumbs.tap(".bar a:has-text('Record the run')")
    phone.wait_for_selector("form.guided")
    thumbs.see()
    thumbs.tap("button.next")
    thumbs.see()
    thumbs.type("egt_rich.value", "1290")
    thumbs.type("egt_peak.value", "1410")
    assert "Rise to the peak: 120 °F." in phone.inner_text(".worked-out")
    thumbs.tap("button.next")
    thumbs.see()
    thumbs.tap("label:has-text('Smooth')")
    thumbs.tap("button.next")
    thumbs.see()
    thumbs.type("idle_rpm.value", "790")
    thumbs.tap("button.next")
    thumbs.see()
    thumbs.tap("button.next")
    thumbs.see()
    told = phone.inner_text(".filled")
    for figure in ("1290 °F", "1410 °F", "Smooth", "790 rpm"):
        assert figure in told
    thumbs.tap("button:has-text('Record the run')")
    phone.wait_for_url(f"**{home}")
    run = _entries(service, home)[-1]["run"]
    assert run["egt_rise"]["rise"] == {"value": 120.0, "unit": "delta_degF"}
    assert (run["idle_quality"], run["idle_rpm"]["value"]) == ("smooth", 790.0)
    told = f"{thumbs.taps} taps, {thumbs.keys} keys, {len(thumbs.screens)} screens, {thumbs.seconds:.0f} s"
    print(told)
    assert thumbs.taps <= 14, told
    assert thumbs.keys <= 12, told


def test_the_rise_is_judged_at_once(service: Service, phone: Any, home: str) -> None:
    """A peak below full rich, and a rise that no engine shows, are told before anything is recorded."""
    phone.goto(f"{service.address}{home}/run#egt")
    phone.wait_for_selector("form.guided")
    for rich, peak, said in (("1450", "1290", "not above full rich"), ("1000", "1450", "unusually large")):
        phone.fill("[name='egt_rich.value']", rich)
        phone.fill("[name='egt_peak.value']", peak)
        assert said in phone.inner_text(".worked-out")


def test_a_timer_keeps_its_caution_in_sight(service: Service, phone: Any, home: str) -> None:
    """It runs on over the screens that follow, the caution beside it."""
    phone.goto(f"{service.address}{home}/run#egt")
    phone.click("button:has-text('Leaning timer')")
    phone.wait_for_selector(".running-time:has-text('0:01')")
    phone.locator("button.next").click()
    strip = phone.locator(".running")
    assert "throttle back" in strip.inner_text()
    assert strip.is_visible()
    strip.locator("button").click()
    assert strip.is_hidden()


@pytest.mark.parametrize("size", [PHONE, {"width": 320, "height": 640}])
def test_the_next_step_fits_one_screen(service: Service, phone: Any, home: str, size: dict[str, int]) -> None:
    """All of the card lies above the bar, at the size of a phone; on a smaller one the bar does not move."""
    phone.set_viewport_size(size)
    phone.goto(f"{service.address}{home}")
    phone.wait_for_selector(".step")
    places = phone.evaluate(
        "() => ['.step', '.bar'].map((each) => document.querySelector(each).getBoundingClientRect())"
        ".map((box) => [box.top, box.bottom])"
    )
    (_, end), (bar, bottom) = places
    assert bottom == size["height"]
    if size == PHONE:
        assert end <= bar
    phone.mouse.wheel(0, 600)
    phone.wait_for_function("() => window.scrollY > 0")
    assert phone.evaluate("document.querySelector('.bar').getBoundingClientRect().top") == bar


@pytest.mark.parametrize(
    "path", ["", "/run", "/run#egt", "/run#idle", "/run#more", "/adjust", "/before", "/history", "/set-up"]
)
def test_large_text_scrolls_one_way(service: Service, phone: Any, home: str, path: str) -> None:
    """WCAG 1.4.10: at 320 px, and with text at 200 % on a phone, nothing scrolls sideways."""
    for width, size in ((320, "100%"), (360, "200%")):
        phone.set_viewport_size({"width": width, "height": 740})
        phone.goto(f"{service.address}{home}{path}")
        phone.wait_for_selector(".waiting", state="detached")
        phone.evaluate("size => { document.documentElement.style.fontSize = size; }", size)
        for folded in phone.query_selector_all("details:not([open])"):
            folded.evaluate("each => { each.open = true; }")
        wide = phone.evaluate("document.documentElement.scrollWidth")
        assert wide <= width, f"{path} is {wide} wide at {width} px and {size}"


def test_after_back_figures_stand_as_choices_do(service: Service, phone: Any, home: str) -> None:
    """What was recorded is shown whole, and sent once more it is still one entry; changed, it is another."""
    phone.goto(f"{service.address}{home}/run")
    type_a_run(phone, "150")
    phone.check("[name='idle_quality'][value='smooth']")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector(".step")
    phone.go_back()
    phone.wait_for_selector("form:has-text('This was recorded at')")
    assert phone.input_value("[name='peak.value']") == "150"
    assert phone.is_checked("[name='idle_quality'][value='smooth']")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector(".step")
    assert len(_entries(service, home)) == 2


def test_ticks_stay_through_a_reload(service: Service, phone: Any, home: str) -> None:
    """Until they are cleared."""
    phone.goto(f"{service.address}{home}/before")
    phone.locator("form.checks input").nth(2).check()
    phone.reload()
    assert phone.locator("form.checks input").nth(2).is_checked()
    phone.click("button:has-text('Clear all ticks')")
    phone.reload()
    assert phone.locator("form.checks input:checked").count() == 0


def test_two_tabs_ask_before_a_turn_counts_twice(service: Service, phone: Any, home: str) -> None:
    """The second tab is told of the first one's turn where its button was pressed."""
    other = phone.context.new_page()
    for page in (phone, other):
        page.goto(f"{service.address}{home}/adjust")
    for page in (phone, other):
        turn_leaner(page)
        page.wait_for_selector(".step, [data-problem]")
    assert "another entry was recorded" in other.inner_text("main")
    assert len(_entries(service, home)) == 2
    other.click("button:has-text('Record this one too')")
    other.wait_for_selector(".step")
    assert len(_entries(service, home)) == 3


def test_pages_are_light(service: Service, phone: Any, home: str) -> None:
    """Cold, with all that a page brings along, at most 120 kB over the wire."""
    client = phone.context.new_cdp_session(phone)
    client.send("Network.enable")
    sizes: dict[str, float] = {}
    client.on("Network.loadingFinished", lambda e: sizes.update({e["requestId"]: e["encodedDataLength"]}))
    told = {}
    for path in ("", "/run", "/adjust", "/set-up"):
        client.send("Network.clearBrowserCache")
        phone.evaluate("async () => { for (const n of await caches.keys()) await caches.delete(n); }") if told else None
        sizes.clear()
        phone.goto(f"{service.address}{home}{path}", wait_until="load")
        phone.wait_for_selector("main")
        told[path] = sum(sizes.values()) / 1000
    print({path: f"{kilo:.0f} kB" for path, kilo in told.items()})
    assert max(told.values()) <= 120.0, told
    assert re.match("gzip|br", phone.request.get(f"{service.address}/parts/pico.min.css").headers["content-encoding"])
