"""The phone page in a real browser: taps add up, the index is the library's, nothing leaves the page.

Run with -m browser; needs the programs chromium and chromedriver (Debian: chromium, chromium-driver).
"""

import datetime
import json
import random

import pytest

from filmdose.answering import answer
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.present.card import make_card, write_card

pytestmark = pytest.mark.browser

DATE = datetime.date(2026, 5, 1)
HOSTILE = "</script><script>document.title='taken'</script><img src=x onerror=\"document.title='taken'\">"


def cell_of(film, kerma):
    found = answer(film, kerma)
    if found.ei is None:
        return "none"
    return f"{found.ei:.0f}" + {"good": "", "usable": "†", "poor": "‡"}[found.verdict]


@pytest.fixture(scope="module")
def page(tmp_path_factory, browser):
    film = generic_film(400)
    named = Film(kind=film.kind, speed=400, records=film.records, name=HOSTILE, origin="measured: steps.csv")
    card = make_card([100, 800, 3200, named], date=DATE)
    path = write_card(card, tmp_path_factory.mktemp("card") / "card.html")
    browser.get(path.as_uri())
    return card, browser


def tap(browser, row, way, step=1):
    button = browser.find_element("css selector", f'button[data-row="{row}"][data-way="{way}"][data-step="{step}"]')
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
    button.click()


def read(browser, name):
    return browser.find_element("id", name).text


def test_taps_add_up_and_the_index_is_that_of_the_library(page):
    card, browser = page
    tap_counts = {}
    chooser = random.Random(3)
    for number in range(25):
        row = chooser.randrange(len(card.rows))
        way = chooser.randrange(len(card.rows[row].points))
        tap(browser, row, way)
        tap_counts[row, way] = tap_counts.get((row, way), 0) + 1
        if number % 6:
            continue
        for end, field in (("low", "low"), ("typical", "points"), ("high", "high")):
            total = sum(count * getattr(card.rows[r], field)[w] for (r, w), count in tap_counts.items())
            assert float(read(browser, f"total-{end}")) == pytest.approx(total, rel=5e-3)
            for i, film in enumerate(card.films):
                wanted = cell_of(film, total) if total <= 20_000 else "beyond the card"
                assert read(browser, f"ei-{end}-{i}") == wanted
                if end == "typical":
                    assert read(browser, f"now-{i}") == wanted
    # the counts survive a reload, and one tap clears them
    browser.refresh()
    for (row, way), count in tap_counts.items():
        assert read(browser, f"count-{row}-{way}") == str(count)
    clear = browser.find_element("id", "clear")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", clear)
    clear.click()
    assert read(browser, "now-total") == "0"
    assert [read(browser, f"now-{i}") for i in range(4)] == ["100", "800", "3200", "400"]


def test_counts_do_not_go_below_zero(page):
    _, browser = page
    browser.find_element("id", "clear").click()
    tap(browser, 1, 0, -1)
    assert read(browser, "count-1-0") == "0"
    assert read(browser, "now-total") == "0"


def test_hostile_name_is_shown_and_does_nothing(page):
    card, browser = page
    assert browser.title == card.title
    assert HOSTILE in browser.find_element("tag name", "body").text


def test_nothing_is_asked_from_outside_and_nothing_goes_wrong(page):
    _, browser = page
    browser.refresh()
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
    assert asked
    assert all(url.startswith("file://") and url.split("#")[0].endswith("/card.html") for url in asked), asked
    assert browser.get_log("browser") == []


@pytest.mark.parametrize("width", [360, 800])
def test_the_page_fits_a_phone(page, width):
    _, browser = page
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": width, "height": 740, "deviceScaleFactor": 1, "mobile": True}
    )
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    small = browser.execute_script(
        "return Array.from(document.querySelectorAll('button[data-step]'))"
        ".filter(b => b.getBoundingClientRect().height < 44).length"
    )
    assert small == 0  # targets of at least 44 px (WCAG 2.1, 2.5.5)
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
