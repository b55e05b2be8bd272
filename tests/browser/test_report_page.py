"""The damage report in a real browser: hostile texts are shown and do nothing, nothing is asked from outside.

Run with -m browser; needs the programs chromium and chromedriver (Debian: chromium, chromium-driver).
"""

import datetime
import json
from pathlib import Path

import pytest
from PIL import Image

from filmdose.present.damage import assess_damage, report_document
from filmdose.present.letter import LETTER_WORDS, letter_document
from filmdose.present.photos import read_picture
from filmdose.present.text import Words, read_words
from filmdose.present.writers import write_document
from filmdose.tripfile import read_trip

EXAMPLE = Path(__file__).parents[2] / "notebooks" / "trip_measured.toml"

pytestmark = pytest.mark.browser

HOSTILE = (
    "</td></table><script>document.title='taken'</script><img src=https://x.invalid/y onerror=document.title='taken'>"
)


@pytest.fixture(scope="module")
def page(tmp_path_factory, browser):
    folder = tmp_path_factory.mktemp("report")
    text = f"""
[trip]
title = {json.dumps(HOSTILE)}
[[roll]]
id = "r"
speed = 400
name = {json.dumps(HOSTILE)}
note = {json.dumps(HOSTILE)}
[[pass]]
source = "cabin-ct"
place = {json.dumps(HOSTILE)}
note = {json.dumps(HOSTILE)}
[[storage]]
days = 9
[[reading]]
roll = "r"
base_plus_fog = 0.40
control = 0.30
note = {json.dumps(HOSTILE)}
"""
    (folder / "trip.toml").write_text(text, encoding="utf-8")
    report = assess_damage(read_trip(folder / "trip.toml"), "r", samples=256, date=datetime.date(2026, 5, 3))
    browser.get_log("performance")
    browser.get_log("browser")
    browser.get(write_document(report_document(report), folder / "report.html").as_uri())
    return browser


def test_hostile_texts_are_shown_and_do_nothing(page):
    assert page.title == "Damage report, roll r"
    assert page.find_element("tag name", "body").text.count(HOSTILE) >= 4
    assert page.execute_script("return document.scripts.length") == 0


def test_plots_are_drawn_from_the_page_itself(page):
    sizes = page.execute_script("return Array.from(document.images).map(i => [i.complete, i.naturalWidth, i.alt])")
    assert len(sizes) == 2
    assert all(done and width > 300 and words for done, width, words in sizes)
    events = [json.loads(entry["message"])["message"] for entry in page.get_log("performance")]
    asked = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
    assert asked
    assert all(url.startswith(("file://", "data:image/svg+xml")) for url in asked)
    assert page.get_log("browser") == []


def test_a_letter_shows_its_picture_and_runs_from_right_to_left_when_its_words_do(tmp_path, browser):
    Image.new("RGB", (60, 40), "navy").save(tmp_path / "f.png")
    picture = read_picture(tmp_path / "f.png", HOSTILE)
    words = Words(dict(read_words(LETTER_WORDS).texts) | {"title": "شريط {roll}", "language": "ar"})
    report = assess_damage(read_trip(EXAMPLE), "ridge-400", samples=256, date=datetime.date(2026, 5, 3))
    document = letter_document(report, filled={"sender": HOSTILE}, pictures=[picture], words=words)
    browser.get(write_document(document, tmp_path / "letter.html").as_uri())
    assert browser.title == "شريط ridge-400"
    assert browser.execute_script("return document.scripts.length") == 0
    assert browser.find_element("tag name", "body").text.count(HOSTILE) == 2  # the blank that was filled, the caption
    shown = browser.execute_script("return Array.from(document.images).map(i => [i.complete, i.naturalWidth])")
    assert shown == [[True, 60]]
    table, page = browser.execute_script(
        "return [document.querySelector('table').getBoundingClientRect().right, document.body.clientWidth]"
    )
    assert table > page / 2
