"""Trip files: what a person may write wrong, and the one line that says where."""

import datetime
import math
import re
import time

import pytest

from filmdose.errors import ArgumentError, InputFileError
from filmdose.film.filmfile import write_film
from filmdose.film.generic import generic_film
from filmdose.history import Flight, Pass, Storage, history_dose
from filmdose.radiation.chain import as_bag
from filmdose.tomlfile import Field
from filmdose.trip import DoseReading, FogReading, Leg, Roll, Shot, answer_trip, measured_fog, trip_readings, trip_table
from filmdose.tripfile import TRIP_FILE, parse_trip, read_trip, trip_file_reference

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
        (ROLL + "importance = 6\n", "roll 'A1', field 'importance'", "got 6; allowed is a whole number from 1 to 5"),
        (ROLL + "importance = 2.5\n", "roll 'A1', field 'importance'", "a whole number from 1 to 5"),
        (ROLL + "scene_range = 9\n", "roll 'A1', field 'scene_range'", "log10 units"),
        (ROLL + "peak_to_mean = 0.5\n", "roll 'A1', field 'peak_to_mean'", "from 1"),
        (ROLL + "[[flight]]\n", "flight number 1, field 'hours'", "is missing"),
        (ROLL + "[[flight]]\nhours = -1\n", "flight number 1, field 'hours'", "at least 0"),
        (ROLL + '[[flight]]\nhours = 1\nlatitude = "north"\n', "flight number 1, field 'latitude'", "equatorial"),
        (ROLL + '[[flight]]\nhours = 1\nrolls = ["B"]\n', "flight number 1, field 'rolls'", "no roll; rolls are A1"),
        (
            ROLL + '[[storage]]\ndays = "1"\n',
            "storage number 1, field 'days'",
            "got '1'; allowed is a finite number of at least 0",
        ),
        (ROLL + "[[storage]]\ndays = 3\nrate_mgy_per_year = -2\n", "storage number 1, field 'rate_mgy_per_year'", "0"),
        (ROLL + "[[leg]]\n", "leg number 1, field 'source'", "is missing"),
        (ROLL + '[[leg]]\nsource = "unknwn"\n', "leg number 1, field 'source'", "Did you mean unknown"),
        (
            ROLL + '[[leg]]\nsource = "unknown"\ninspect = "no"\n',
            "leg number 1, field 'inspect'",
            "one of scan, hand, ask",
        ),
        (ROLL + '[[leg]]\nsource = "unknown"\nkerma = 3\n', "leg number 1, field 'kerma'", "is not known"),
        (
            ROLL + '[[leg]]\nsource = "cabin-ct"\ncount = -1\n',
            "leg number 1, field 'count'",
            "a whole number of at least 0",
        ),
        (ROLL + '[[leg]]\nsource = "cabin-ct"\nshield = "lead"\n', "leg number 1, field 'shield'", "lead=0.25"),
        (ROLL + '[[reading]]\nroll = "A1"\n', "reading number 1, field 'base_plus_fog'", "is missing"),
        (ROLL + '[[reading]]\nroll = "B"\nbase_plus_fog = 0.4\n', "reading number 1, field 'roll'", "is no roll"),
        (ROLL + 'stat = "exposed"\n', "roll 'A1', field 'stat'", "Did you mean state"),
        (ROLL + 'format = "110"\n', "roll 'A1', field 'format'", "35mm, 120, sheet"),
        (ROLL + 'bag = "heavy"\n', "roll 'A1', field 'bag'", "typical"),
        (ROLL + "shot = 3\n", "roll 'A1', field 'shot'", "a table in one line"),
        (ROLL + "shot = { ei = 0 }\n", "roll 'A1', field 'shot', field 'ei'", "above 0"),
        (ROLL + "shot = { iso = 3 }\n", "roll 'A1', field 'shot', field 'iso'", "is not known"),
        (
            ROLL + "shot = { first = 2026-05-02, last = 2026-05-01 }\n",
            "roll 'A1', field 'shot', field 'last'",
            "not before",
        ),
        (ROLL + "loaded = 2026-05-02T10:00:00\n", "roll 'A1', field 'loaded'", "a date such as"),
        (ROLL + '[[pass]]\nsource = "cabin-ct"\nheld = "5 moons"\n', "pass number 1, field 'held'", "a value in s"),
        (ROLL + '[[pass]]\nsource = "cabin-ct"\nheld = -5\n', "pass number 1, field 'held'", "at least 0"),
        (ROLL + '[[pass]]\nsource = "cabin-ct"\nat = "home"\n', "pass number 1, field 'at'", "bag, inside, film"),
        (ROLL + '[[reading]]\nroll = "A1"\nkind = "smell"\n', "reading number 1, field 'kind'", "fog, badge"),
        (ROLL + '[[reading]]\nroll = "A1"\nkind = "badge"\n', "reading number 1, field 'value'", "is missing"),
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
def test_every_fault_names_file_place_and_field(tmp_path, text, place, problem):
    path = tmp_path / "trip.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputFileError) as caught:
        read_trip(path)
    message = str(caught.value)
    assert message.startswith(f"{path}, {place}: ")
    assert re.search(problem, message)
    assert "\n" not in message


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
        format = "120"
        bag = "4, al=1"
        loaded = 2026-05-01
        shot = { ei = 200, first = 2026-05-02, last = 2026-05-04 }
        developed = 2026-05-20
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
        held = "5 min"
        views = 2
        at = "film"
        bag = "empty"
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
        [[reading]]
        roll = "A"
        kind = "fog"
        base_plus_fog = 0.45
        where = "worst"
        [[reading]]
        roll = "A"
        kind = "badge"
        value = "63 mrem"
        quantity = "hp10-phantom"
        relative_error = 0.1
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
    assert leg.as_pass().source == "unknown"
    two, one, bare, badge = first.readings
    assert first.fog_readings == (two, one, bare)
    assert {reading.roll for reading in first.readings} == {"A"}
    # the error of a difference of two equal readings, and of one against a known value
    assert measured_fog(first.film, two)[:2] == pytest.approx((0.15, 0.01 * 2**0.5))
    assert measured_fog(first.film, one)[:2] == pytest.approx((0.15, 0.01))
    clean = first.film.records[0].minimum_density()
    assert measured_fog(first.film, bare)[:2] == pytest.approx((0.45 - clean, 0.02))
    assert (bare.where, badge.quantity, badge.relative_error) == ("worst", "hp10-phantom", 0.1)
    assert trip_readings(trip) == first.readings
    assert first.shot == Shot(ei=200, first=datetime.date(2026, 5, 2), last=datetime.date(2026, 5, 4))
    assert (first.loaded, first.developed) == (datetime.date(2026, 5, 1), datetime.date(2026, 5, 20))
    assert (first.history.format, second.history.format) == ("120", "35mm")
    assert (first.history.bag, second.history.bag) == (as_bag("4, al=1"), as_bag("typical"))
    (scan,) = first.history.passes
    assert (scan.held_s, scan.views, scan.at, scan.bag) == (300.0, 2, "film", as_bag("empty"))


def test_a_bag_that_was_held_is_counted_and_said():
    trip = parse_trip(ROLL + '[[pass]]\nsource = "cabin-ct"\nheld = "5 min"\nplace = "gate"\n')
    (found,) = answer_trip(trip)
    assert any(note.startswith("Held 300 s at gate, the beam on or off") for note in found.dose.notes)
    assert found.dose.kerma_ugy > 100 * history_dose(Pass(source="cabin-ct")).kerma_ugy


def test_an_exposed_roll_gets_no_index_but_its_loss():
    text = '[[roll]]\nid = "A"\nspeed = 400\nstate = "exposed"\nscene_range = 1.8\n[[pass]]\nsource = "cabin-ct"\n'
    trip = parse_trip(text)
    (found,) = answer_trip(trip)
    assert (found.answer.ei, found.answer.outcome) == (None, "exposed")
    assert found.answer.question.scene_range == 1.8
    row = trip_table((found,)).iloc[0]
    assert row["ei"] is None
    assert row["state"] == "exposed"


def test_a_reading_below_its_control_is_kept():
    fog, _, against = measured_fog(generic_film(400), FogReading(base_plus_fog=0.29, control=0.30))
    assert fog == pytest.approx(-0.01)
    assert against == "unscanned roll, developed alike"


def test_a_roll_refuses_the_reading_of_another():
    with pytest.raises(ArgumentError, match="of the roll 'A' itself"):
        Roll(id="A", film=generic_film(400), readings=(FogReading(roll="B", base_plus_fog=0.4),))


def test_a_film_file_lies_beside_the_trip_file_and_not_beside_a_link_to_it(tmp_path):
    (tmp_path / "real").mkdir()
    write_film(generic_film(200), tmp_path / "real" / "mine.toml")
    (tmp_path / "real" / "trip.toml").write_text('[[roll]]\nid = "A"\nfilm = "mine.toml"\n')
    (tmp_path / "link.toml").symlink_to(tmp_path / "real" / "trip.toml")
    assert read_trip(tmp_path / "link.toml").rolls[0].film.records == generic_film(200).records


@pytest.mark.long
def test_ten_thousand_rolls_are_read_in_a_time_that_grows_with_their_number():
    def seconds(count):
        text = "".join(f'[[roll]]\nid = "{n}"\nspeed = 400\n' for n in range(count))
        text += '[[pass]]\nsource = "cabin-ct"\n' * 3
        best = math.inf
        for _ in range(2):
            start = time.thread_time()
            parse_trip(text)
            best = min(best, time.thread_time() - start)
        return best

    # 8 times the rolls: 8 times the time, where a look through all rolls for each would take 64 times
    assert seconds(8000) < 20 * seconds(1000)


# -- the declaration and the objects say the same ----------------------------------------------------------------------

MAKE = {
    "pass": lambda **values: Pass(**{"source": "cabin-xray", **values}),
    "flight": lambda **values: Flight(**{"hours": 1.0, **values}),
    "storage": lambda **values: Storage(**{"days": 1.0, **values}),
    "leg": lambda **values: Leg(**{"source": "cabin-ct", "rolls": (), **values}),
    "roll": lambda **values: Roll(**{"id": "A", "film": generic_film(400), **values}),
    "fog": lambda **values: FogReading(**{"base_plus_fog": 0.3, **values}),
    "badge": lambda **values: DoseReading(**{"value": 1.0, **values}),
    "shot": Shot,
}
OWN = {"speed", "kind", "format", "bag"}  # of a film and a history


def declared():
    for table in TRIP_FILE:
        for item in table.fields:
            if table.name == "reading":
                made = "badge" if item.help.startswith("Badge") else "fog"
                yield made, item
            elif item.fields:
                yield from ((item.name, inner) for inner in item.fields)
            elif item.name not in OWN:
                yield table.name, item


@pytest.mark.parametrize(
    ("made", "item"),
    [
        pytest.param(made, item, id=f"{made}-{item.name}")
        for made, item in declared()
        if item.type in ("number", "whole")
    ],
)
def test_the_range_in_the_file_is_the_range_in_python(made, item: Field):
    """What lies just inside passes both doors; what lies just outside passes neither of them."""
    argument = item.arguments[0] if item.arguments else item.name
    tiny = 1e-9
    inside = [v for v in (item.low + (tiny if item.low_open else 0.0), item.high) if math.isfinite(v)]
    outside = [v for v in (item.low - (0.0 if item.low_open else 1.0), item.high + 1.0) if math.isfinite(v)]
    for value in inside:
        given = int(value) if item.type == "whole" else value
        item.checked(given)
        MAKE[made](**{argument: given})
    for value in outside:
        given = int(value) if item.type == "whole" else value
        with pytest.raises(ArgumentError):
            item.checked(given)
        if not (
            item.type == "whole" and value > item.high and item.name in ("count", "views")
        ):  # a limit of files only
            with pytest.raises(ArgumentError):
                MAKE[made](**{argument: given})


def test_the_defaults_in_the_reference_are_those_in_python():
    plain = {"false": False, "true": True}
    checked = 0
    for made, item in declared():
        if not re.fullmatch(r"[\w.-]+", item.default) or made == "trip" or item.name == "unit":
            continue
        default = getattr(MAKE[made](), item.name, None) if item.name != "kind" else "fog"
        if item.type in ("number", "whole"):
            assert default == float(item.default), item.name
        else:
            assert default == plain.get(item.default, item.default), item.name
        checked += 1
    assert checked >= 9


def test_the_reference_names_every_field():
    page = trip_file_reference()
    for table in TRIP_FILE:
        part = page.split(f"### `{table.heading}`")[1].split("###")[0]
        for item in table.fields:
            assert f"`{item.name}`" in part
            assert item.what in part
            assert item.help in part


def test_the_reference_says_what_holds_when_altitude_and_background_are_left_out():
    page = trip_file_reference()
    flight = '[[roll]]\nid = "A"\nspeed = 400\n[[flight]]\nhours = 5\n'
    storage = '[[roll]]\nid = "A"\nspeed = 400\n[[storage]]\ndays = 90\n'
    for said, plain, written in (("36000 ft", flight, "altitude_ft = 36000\n"), ("0.9, from", storage, RATE)):
        assert said in page
        doses = [history_dose(parse_trip(text).rolls[0].history).kerma_ugy for text in (plain, plain + written)]
        assert doses[0] == doses[1] > 0.0


RATE = "rate_mgy_per_year = 0.9\n"
