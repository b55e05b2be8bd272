"""The page about trip files is the schema that reads them, and its example is read."""

import re
from pathlib import Path

from filmdose.outlook import trip_outlook
from filmdose.tripfile import parse_trip, trip_file_reference

PAGE = (Path(__file__).parents[2] / "docs" / "trip_file.md").read_text(encoding="utf-8")


def test_the_page_has_every_field_as_the_schema_has_it():
    assert PAGE.endswith("## Every table and field\n\n" + trip_file_reference())


def test_its_example_is_read_and_answered():
    trip = parse_trip(re.search(r"```toml\n(.*?)```", PAGE, re.DOTALL)[1])
    found = trip_outlook(trip, samples=512)
    shot, slides = trip.rolls
    assert slides.film.kind == "colour-reversal"
    assert slides.history.passes[-1].held_s == 30.0
    assert shot.fog_readings[0].darker_stops == 1 / 3
    assert found.ahead == {"plateau-400": 1, "slides-100": 1}
    assert [row.headline.split()[0] for row in found.odds.rolls] == ["EI", "Shot"]
