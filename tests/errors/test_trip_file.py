"""Trip files: what a person may write wrong, and the one line that says where."""

import re

import pytest

from filmdose.errors import InputFileError
from filmdose.exposed import assess_exposed
from filmdose.film.filmfile import write_film
from filmdose.film.generic import generic_film
from filmdose.trip import Reading, answer_trip, parse_trip, read_trip, trip_table

ROLL = '[[roll]]\nid = "A1"\nspeed = 400\n'


@pytest.mark.parametrize(
    ("text", "place", "problem"),
    [
        ('[[roll]]\nid = "A1"\n', "roll 'A1', field 'speed'", "is missing"),
        (ROLL + 'film = "f.toml"\n', "roll 'A1', field 'speed'", "stands beside film"),
        (
            '[[roll]]\nid = "A1"\nfilm = "f.toml"\nkind = "bw-negative"\n',
            "roll 'A1', field 'kind'",
            "stands beside film",
        ),
        ('[[roll]]\nid = "A1"\nfilm = "none.toml"\n', "roll 'A1', field 'film'", "cannot be read"),
        (ROLL + 'state = "half"\n', "roll 'A1', field 'state'", "exposed"),
        (ROLL + "importance = 6\n", "roll 'A1', field 'importance'", "at most 5"),
        (ROLL + "importance = 2.5\n", "roll 'A1', field 'importance'", "a whole number from 1 to 5"),
        (ROLL + "scene_range = 9\n", "roll 'A1', field 'scene_range'", "log10 units"),
        (ROLL + "peak_to_mean = 0.5\n", "roll 'A1', field 'peak_to_mean'", "from 1"),
        (ROLL + "[[flight]]\n", "flight number 1, field 'hours'", "is missing"),
        (ROLL + "[[flight]]\nhours = -1\n", "flight number 1, field 'hours'", "at least 0"),
        (ROLL + '[[flight]]\nhours = 1\nlatitude = "north"\n', "flight number 1, field 'latitude'", "equatorial"),
        (ROLL + '[[flight]]\nhours = 1\nrolls = ["B"]\n', "flight number 1, field 'rolls'", "no roll; rolls are A1"),
        (ROLL + '[[storage]]\ndays = "1"\n', "storage number 1, field 'days'", "a number"),
        (ROLL + "[[storage]]\ndays = 3\nrate_mgy_per_year = -2\n", "storage number 1, field 'rate_mgy_per_year'", "0"),
        (ROLL + "[[leg]]\n", "leg number 1, field 'source'", "is missing"),
        (ROLL + '[[leg]]\nsource = "unknwn"\n', "leg number 1, field 'source'", "Did you mean unknown"),
        (ROLL + '[[leg]]\nsource = "unknown"\ninspect = "no"\n', "leg number 1, field 'inspect'", "scan, hand, ask"),
        (ROLL + '[[leg]]\nsource = "unknown"\nkerma = 3\n', "leg number 1, field 'kerma'", "is not known"),
        (ROLL + '[[leg]]\nsource = "cabin-ct"\ncount = -1\n', "leg number 1, field 'count'", "at least 0"),
        (ROLL + '[[leg]]\nsource = "cabin-ct"\nshield = "lead"\n', "leg number 1, field 'shield'", "lead=0.25"),
        (ROLL + '[[reading]]\nroll = "A1"\n', "reading number 1, field 'base_plus_fog'", "is missing"),
        (ROLL + '[[reading]]\nroll = "B"\nbase_plus_fog = 0.4\n', "reading number 1, field 'roll'", "is no roll"),
        (ROLL + '[[reading]]\nroll = "A1"\nbase_plus_fog = 0.4\n', "reading number 1, field 'control'", "is missing"),
        (
            ROLL + '[[reading]]\nroll = "A1"\nbase_plus_fog = 0.4\ncontrol = 0.3\nknown_base_plus_fog = 0.3\n',
            "reading number 1, field 'control'",
            "stands beside known_base_plus_fog",
        ),
        (
            ROLL + '[[reading]]\nroll = "A1"\nbase_plus_fog = 0.4\ncontrol = 0.3\nerror = 0\n',
            "reading number 1, field 'error'",
            "above 0",
        ),
        (
            ROLL + '[[reading]]\nroll = "A1"\nbase_plus_fog = -0.4\ncontrol = 0.3\n',
            "reading number 1, field 'base_plus_fog'",
            "0",
        ),
        (ROLL + "[[legs]]\n", "table 'legs'", "is not known"),
        (ROLL + "[leg]\nsource = 'unknown'\n", "table 'leg'", r"\[\[leg\]\]"),
    ],
)
def test_every_fault_names_file_place_and_field(tmp_path, run, text, place, problem):
    path = tmp_path / "trip.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputFileError) as caught:
        read_trip(path)
    message = str(caught.value)
    assert message.startswith(f"{path}, {place}: ")
    assert re.search(problem, message)
    code, out, err = run("trip", path)
    assert (code, out) == (2, "")
    assert err == f"error: {' '.join(message.split())}\n"


def test_what_a_full_file_says_is_what_is_read(tmp_path):
    write_film(generic_film(200), tmp_path / "mine.toml")
    trip = parse_trip(
        """
        [trip]
        title = "t"
        [[roll]]
        id = "A"
        film = "mine.toml"
        name = "my film"
        state = "exposed"
        importance = 5
        scene_range = 1.8
        [[roll]]
        id = "B"
        speed = 100
        kind = "colour-reversal"
        [[flight]]
        hours = 8
        altitude_m = 11000
        rolls = ["A"]
        [[storage]]
        days = 20
        [[pass]]
        source = "cabin-xray"
        [[leg]]
        source = "unknown"
        inspect = "hand"
        place = "east gate"
        date = 2026-05-04
        shield = "lead=0.1+tin=0.2"
        [[reading]]
        roll = "A"
        base_plus_fog = 0.45
        control = 0.30
        error = 0.01
        [[reading]]
        roll = "A"
        base_plus_fog = 0.45
        known_base_plus_fog = 0.30
        error = 0.01
        """,
        tmp_path / "trip.toml",
    )
    first, second = trip.rolls
    assert first.film.name == "my film"
    assert first.film.records == generic_film(200).records
    assert (first.state, first.importance, first.scene_range) == ("exposed", 5, 1.8)
    assert (second.state, second.importance, second.scene_range) == ("unexposed", 3, None)
    assert second.film.kind == "colour-reversal"
    assert (len(first.history.flights), len(second.history.flights)) == (1, 0)
    assert len(first.history.storage) == len(second.history.storage) == len(second.history.passes) == 1
    (leg,) = trip.legs
    assert leg.rolls == ("A", "B")
    assert [str(part) for part in leg.shield] == ["lead 0.1 mm", "tin 0.2 mm"]
    assert leg.title == "east gate, 2026-05-04"
    assert leg.as_pass("cabin-ct").source == "cabin-ct"
    two, one = first.readings
    assert two.fog_density == pytest.approx(0.15)
    # the error of a difference of two equal readings, and of one against a known value
    assert two.fog_error == pytest.approx(0.01 * 2**0.5)
    assert one.fog_error == pytest.approx(0.01)


def test_an_exposed_roll_gets_no_index_but_its_loss():
    text = '[[roll]]\nid = "A"\nspeed = 400\nstate = "exposed"\nscene_range = 1.8\n[[pass]]\nsource = "cabin-ct"\n'
    (answer,) = answer_trip(parse_trip(text))
    loss = assess_exposed(400, 100.0, scene_range=1.8)
    assert (answer.ei, answer.status, answer.message) == (None, "already_exposed", loss.message)
    assert answer.exposed.effective_speed == loss.effective_speed
    row = trip_table((answer,)).iloc[0]
    assert row["ei"] is None
    assert row["status"] == "already_exposed"


def test_a_reading_below_its_control_is_kept():
    assert Reading(base_plus_fog=0.29, control=0.30).fog_density == pytest.approx(-0.01)
