"""What a traveller does: one headline in every verb, a stop, a scanner not known, a roll's own story, passes ahead."""

import datetime
import json
import math
import tomllib

import numpy as np
import pytest

from filmdose.answering import answer
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass, Storage, history_dose
from filmdose.outlook import trip_outlook
from filmdose.trip import Leg, Roll, Shot, Trip, answer_at, legs_ahead
from filmdose.tripfile import parse_trip, read_trip
from filmdose.words import headline

CT = Pass(source="cabin-ct")
ROLLS = '[[roll]]\nid = "A"\nspeed = 400\n'


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "trip.toml"
    path.write_text(ROLLS + '[[pass]]\nsource = "cabin-ct"\ncount = 2\n')
    return path


def told(run, *words):
    code, out, err = run(*words)
    assert code == 0, err
    return " ".join(out.split())


@pytest.mark.long
def test_one_headline_in_roll_trip_odds_and_log(run, file):
    words = ("roll", "--speed", 400, "--pass", "ct=2")
    data = json.loads(run(*words, "--format", "json")[1])
    line = data["headline"]
    assert line == headline("compensated", data["verdict_safe"], safe=data["ei_safe"], typical=data["ei_typical"])
    assert told(run, *words).startswith(line)
    assert line in told(run, "trip", file)
    assert line in told(run, "odds", file)
    row = json.loads(run("trip", file, "--format", "json")[1])["rolls"][0]
    assert (row["headline"], row["ei_safe"], row["ei_typical"]) == (line, data["ei_safe"], data["ei_typical"])
    assert line in told(run, "log", file, "--storage-days", 0)


@pytest.mark.few(23)
@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative", "colour-reversal", "bw-reversal"])
@pytest.mark.parametrize("count", [1, 5000])
@pytest.mark.parametrize("shot", [None, 100, 50])
def test_every_kind_and_state_has_a_headline(kind, count, shot):
    film = generic_film(100, kind=kind)
    roll = Roll(
        id="a",
        film=film,
        history=History(passes=Pass(source="cabin-ct", count=count)),
        shot=None if shot is None else Shot(ei=shot),
    )
    (row,) = trip_outlook(Trip(rolls=(roll,)), samples=512).odds.rolls
    if shot is not None:
        assert row.headline.startswith(f"Shot at EI {shot}. ")
        assert (row.verdict == "lost") == (count == 5000)
    elif count == 5000:
        assert row.headline == "Lost: no exposure index helps."
    elif film.reversal:
        assert row.headline.startswith("Expose as marked, at EI 100. ")
    else:
        assert row.headline.startswith("EI ")


@pytest.mark.long
def test_a_held_bag_is_said_and_counted_in_every_verb(run, file):
    held = told(run, "roll", "--speed", 400, "--pass", "x-ray", "--held", "5min", "--beam-on", "running")
    assert held.startswith("Lost: no exposure index helps.")
    assert "Held 300 s" in held
    assert "a stripe about 3 mm wide" in held
    usual = told(run, "roll", "--speed", 400, "--pass", "x-ray=30")
    assert not usual.startswith("Lost")
    assert "Lost" in told(run, "odds", "--speed", 400, "--pass", "x-ray", "--held", "5 min", "--beam-on", "running")
    said = told(run, "log", file, "--source", "cabin-xray", "--held", "0,5 h", "--beam-on", "running")
    assert "Held 1800 s" in said
    assert "Lost: no exposure index helps." in said
    assert "Held 1800 s" in told(run, "trip", file)
    for words in (("--pass", "ct", "--pass", "x-ray"), ()):
        code, out, err = run("roll", "--speed", 400, *words, "--held", "5min")
        assert (code, out) == (2, "")
        assert "held: got '5min'" in err


def test_log_alone_is_an_unknown_scanner_today(run, file):
    said = told(run, "log", file)
    assert "Scanner at a checkpoint, not known which" in said
    assert "even mixture" in said
    entry = tomllib.loads(file.read_text())["pass"][-1]
    assert (entry["source"], entry["date"], entry["rolls"]) == ("unknown", datetime.date.today(), ["A"])
    assert run("log", file, "--undo")[0] == 0
    tomorrow = (datetime.date.today() + datetime.timedelta(1)).isoformat()
    code, out, err = run("log", file, "--date", tomorrow)
    assert (code, out) == (2, "")
    assert "today or earlier" in err


@pytest.mark.long
def test_readings_are_used_or_said_not_to_be(run, file):
    before = json.loads(run("trip", file, "--format", "json")[1])["rolls"][0]
    with file.open("a") as stream:
        stream.write('[[reading]]\nroll = "A"\nbase_plus_fog = 0.36\ncontrol = 0.30\nerror = 0.01\n')
    after = json.loads(run("trip", file, "--format", "json")[1])["rolls"][0]
    assert after["ei_safe"] > before["ei_safe"]
    odds = json.loads(run("odds", file, "--format", "json")[1])["rolls"][0]
    assert (odds["ei_recommended"], odds["ei_median"]) == (after["ei_safe"], after["ei_typical"])
    assert after["headline"] in told(run, "log", file, "--storage-days", 0)
    # a reading that cannot be true must not keep anybody from writing down what happened
    with file.open("a") as stream:
        stream.write('[[reading]]\nroll = "A"\nbase_plus_fog = 0.20\ncontrol = 0.60\nerror = 0.01\n')
    said = told(run, "log", file, "--source", "ct")
    assert "2 readings are not used" in said
    assert "filmdose learn" in said


LEGS = """
[[leg]]
source = "unknown"
place = "North gate"
date = 2026-06-01
[[leg]]
source = "cabin-ct"
place = "pier"
count = 3
"""


def test_a_pass_that_was_logged_for_a_leg_counts_once():
    def ahead(more):
        trip = parse_trip(ROLLS + '[[roll]]\nid = "B"\nspeed = 100\n' + LEGS + more)
        return {(leg.place, name): leg.count for leg in legs_ahead(trip) for name in leg.rolls}

    assert ahead("") == {("North gate", "A"): 1, ("North gate", "B"): 1, ("pier", "A"): 3, ("pier", "B"): 3}
    # one roll, the place in other letters; the scanner is known by now
    one = ahead('[[pass]]\nsource = "cabin-xray"\nplace = "north GATE"\nrolls = ["A"]\n')
    assert one == {("North gate", "B"): 1, ("pier", "A"): 3, ("pier", "B"): 3}
    two = ahead('[[pass]]\nsource = "cabin-ct"\nplace = "pier"\ncount = 2\n')
    assert (two["pier", "A"], two["pier", "B"]) == (1, 1)
    # another source, another place, another day, nothing in common: another pass
    for other in (
        'source = "cabin-xray"\nplace = "pier"',
        'source = "cabin-ct"\nplace = "south gate"',
        'source = "cabin-ct"\nplace = "north gate"\ndate = 2026-06-02',
        'source = "cabin-ct"',
    ):
        assert ahead(f"[[pass]]\n{other}\n") == ahead("")


@pytest.mark.long
def test_what_is_ahead_is_compensated_when_shooting(run, tmp_path):
    file = tmp_path / "trip.toml"
    file.write_text(ROLLS + '[[leg]]\nsource = "cabin-ct"\nplace = "pier"\ncount = 2\n')
    planned = json.loads(run("trip", file, "--format", "json")[1])["rolls"][0]
    through = json.loads(run("roll", "--speed", 400, "--pass", "ct=2", "--format", "json")[1])
    assert (planned["ei_safe"], planned["scans_ahead"], planned["kerma_ugy"]) == (through["ei_safe"], 2, 0.0)
    assert "Scans ahead count in the index to set now: A 2." in told(run, "trip", file)
    told(run, "log", file, "--source", "ct", "--count", 2, "--place", "Pier")
    behind = json.loads(run("trip", file, "--format", "json")[1])["rolls"][0]
    assert (behind["ei_safe"], behind["scans_ahead"]) == (through["ei_safe"], 0)


@pytest.mark.long
def test_doses_that_a_reading_taught_say_that_they_include_what_is_ahead(run, tmp_path):
    file = tmp_path / "trip.toml"
    taught = '[[roll]]\nid = "B"\nspeed = 400\n[[pass]]\nsource = "cabin-ct"\n'
    taught += '[[reading]]\nroll = "B"\nbase_plus_fog = 0.40\ncontrol = 0.30\n'
    file.write_text(ROLLS + taught)
    before = json.loads(run("trip", file, "--format", "json")[1])["rolls"][0]["kerma_ugy"]
    assert "scans ahead" not in told(run, "learn", file)
    file.write_text(file.read_text() + '[[leg]]\nsource = "cabin-ct"\ncount = 2\nrolls = ["A"]\n')
    after = json.loads(run("trip", file, "--format", "json")[1])["rolls"][0]["kerma_ugy"]
    assert after > 2 * before
    assert "Dose, fog and the index to set now include scans ahead: A 2." in told(run, "trip", file)
    said = told(run, "learn", file)
    assert said.count("Including 2 scans ahead.") == 1
    assert said.index("A: ") < said.index("Including 2 scans ahead.") < said.index("B: ")


@pytest.mark.parametrize("kerma", [5.0, 50.0, 300.0])
def test_a_roll_is_judged_by_what_it_was_shot_at(kerma):
    kept = [answer(400, kerma, exposed=True, shot_ei=ei).exposed.snr_kept for ei in (400, 200, 100)]
    assert kept[0] < kept[1]
    film = generic_film(400)
    (record,), shadow = film.records, math.log10(0.8 / 400)
    by_hand = [
        record.signal_to_noise(shadow + math.log10(400 / ei), kerma)
        / min(record.signal_to_noise(shadow), record.signal_to_noise(shadow + math.log10(400 / ei)))
        for ei in (400, 200, 100)
    ]
    assert kept == pytest.approx([float(value) for value in by_hand], rel=1e-4)
    assert answer(400, kerma, exposed=True).exposed.snr_kept == kept[0]


def test_a_clean_roll_lost_nothing_at_any_index():
    for kind in ("bw-negative", "colour-negative", "colour-reversal", "bw-reversal"):
        for ei in (400, 200, 100, 50):
            found = answer(generic_film(200, kind=kind), 0.0, exposed=True, shot_ei=ei)
            assert found.exposed.harmless
            assert found.verdict == "good"
            assert "lost nothing that shows" in found.message
            assert "-0.00" not in found.message


@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative", "colour-reversal"])
@pytest.mark.parametrize("kerma", [0.5, 20.0, 100.0])
def test_no_roll_keeps_more_than_all(kind, kerma):
    """Light given in time may leave more than a clean roll had at the marked speed: once "113 %" was said."""
    found = answer(generic_film(400, kind=kind), kerma, exposed=True, shot_ei=50)
    shares = [int(part.split()[-1]) for part in found.message.split(" %")[:-1]]
    assert max(shares, default=0) <= 100
    assert found.exposed.snr_kept > 1.0 or kind == "bw-negative"


def test_after_development_nothing_counts():
    text = (
        '[[roll]]\nid = "A"\nspeed = 400\nshot = {{ ei = 200 }}\n{}[[pass]]\nsource = "cabin-ct"\ndate = 2026-05-09\n'
    )
    trip = parse_trip(text.format("developed = 2026-05-08\n"))
    assert trip.rolls[0].history.passes == ()
    assert "its pass of 2026-05-09 does not count" in trip.notes[0]
    assert answer_at(trip.rolls[0], 0.0, trip_outlook(trip, samples=256).odds.question).exposed.harmless
    assert len(parse_trip(text.format("")).rolls[0].history.passes) == 1
    assert len(parse_trip(text.format("developed = 2026-05-09\n")).rolls[0].history.passes) == 1


def test_develop_here_or_carry_home():
    roll = Roll(id="a", film=generic_film(400), shot=Shot(ei=400))

    def choice(*legs):
        return trip_outlook(Trip(rolls=(roll,), legs=legs), samples=512).choices.get("a", "")

    worse = choice(Leg(source="cabin-ct", rolls=("a",), count=2))
    for words in ("develop here or carry home?", "After 2 more scans", "Develop it before them", "gloves"):
        assert words in worse
    assert "Carry it home" in choice(Leg(source="cabin-xray", rolls=("a",)))
    assert choice(Leg(source="cabin-ct", rolls=("a",), inspect="hand")) == ""
    assert choice() == ""


def test_headlines_say_what_is_safe_only_where_it_is():
    assert "(best on average)" in headline("compensated", "usable", safe=80, typical=64)
    assert "(safe)" in headline("compensated", "good", safe=64, typical=80)
    assert headline("compensated", "usable", safe=64) == "EI 64 (safe); nothing helps the middle case. Usable."
    for safe, typical, said in (
        (50, 80, "EI 50, the best left; 80 if typical. Poor."),
        (80, 50, "EI 80, the best left; 50 if typical. Poor."),
        (50, 50, "EI 50, the best left. Poor."),
        (50, None, "EI 50, the best left; nothing helps the middle case. Poor."),
    ):
        assert headline("compensated", "poor", safe=safe, typical=typical) == said
    assert headline("compensated", "lost", safe=64, typical=80) == "Lost: no exposure index helps."
    assert np.all([word in headline("as_marked", "good", safe=100, typical=100) for word in ("as marked", "EI 100")])


@pytest.mark.long
def test_trip_ahead_of_the_notebooks_reads(run):
    from pathlib import Path

    example = Path(__file__).parents[2] / "notebooks" / "trip_ahead.toml"
    assert read_trip(example).legs
    assert "develop here or carry home?" in told(run, "trip", example)


def test_old_stock_says_why_it_costs_what_it_costs(run):
    said = told(run, "roll", "--speed", 3200, "--storage", 365)
    for words in (
        "0.9 mGy in 365 days",
        "ISO 3200 takes about 5 times the hits of ISO 400",
        "from the day of manufacture, not of purchase",
        "exposure indices for longer development",
    ):
        assert words in said
    # the figures of the sentence by hand: 900 uGy a year, hard; hits grow as speed to the power b
    year, one = history_dose(Storage(days=365)).kerma_ugy, history_dose(CT).kerma_ugy
    assert f"That fogs as {year:.2g} uGy of a scanner's beam, {year / one:.2g} of a" in said
    films = [generic_film(speed).records[0] for speed in (400, 3200)]
    struck = [
        record.hits_per_ugy * 10 ** (record.hit_exponent * (math.log10(speed / 0.8) - record.reference_log_sensitivity))
        for record, speed in zip(films, (400, 3200), strict=True)
    ]
    assert round(struck[1] / struck[0]) == 5
    # it is the old stock and not every shelf
    assert "Old stock" not in told(run, "roll", "--speed", 400, "--storage", 30)


@pytest.mark.long
def test_fast_boxes_are_doubted_and_slow_ones_and_measured_ones_are_not(run, tmp_path):
    words = "exposure indices for longer development and not ISO speeds (common practice, no source)"
    trip = tmp_path / "t.toml"
    trip.write_text('[[roll]]\nid = "a"\nspeed = 3200\n')
    for command in (("roll", "--speed", 1600), ("trip", trip), ("table",), ("budget", "--claim", "x-ray=5")):
        assert told(run, *command).count(words) == 1, command
    for command in (("roll", "--speed", 800), ("table", "--speeds", "100,800")):
        assert words not in told(run, *command)


def test_a_claim_is_judged_in_a_sentence(run):
    said = told(run, "budget", "--claim", "x-ray=5", "--speeds", 1600)
    row = json.loads(run("budget", "--claim", "x-ray=5", "--speeds", 1600, "--format", "json")[1])["rows"][0]
    typical, low, high = (row[f"stops_lost{end}"] for end in ("", "_low", "_high"))
    assert (
        f"bw-negative ISO 1600, after 5 x Cabin baggage X-ray, projection: {typical:.2f} stops lost ({low:.2f} to "
        f"{high:.2f}), {row['verdict']}; the claim {row['claim']}."
    ) in said
    assert "until it is lost" in told(run, "budget", "--claim", "ct=5", "--speeds", 400)
    assert ": lost; the claim does not hold." in told(run, "budget", "--claim", "hold-ct-slice", "--speeds", 1600)


@pytest.mark.long
def test_everyday_words_for_kinds_are_understood_wherever_a_kind_is_asked_for(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "ahead.toml").write_text(ROLLS + '[[leg]]\nsource = "x-ray"\n')
    for word, exact in (("slides", "colour-reversal"), ("Color", "colour-negative")):
        for verb, *words in (
            ("table", "--speeds", 100, "--format", "csv"),
            ("roll", "--speed", 100, "--pass", "ct", "--format", "json"),
            ("odds", "--speed", 100, "--pass", "ct", "--samples", 256, "--format", "json"),
            ("budget", "--speeds", 100, "--format", "csv"),
            ("plan", "ahead.toml", "--samples", 64, "--format", "json"),
        ):
            said = [run(verb, *words, "--kind", kind) for kind in (word, exact)]
            assert said[0][0] == 0, said[0]
            assert said[0] == said[1]
        assert run("card", "--kind", word, "-o", "card.html")[0] == 0
    assert generic_film(100, kind="b&w").kind == "bw-negative"


@pytest.mark.long
def test_times_and_numbers_as_people_write_them(run, file):
    for words, exact in (
        (("--flight", "11,5h"), ("--flight", "11.5")),
        (("--storage", "2 years"), ("--storage", "730.5")),
        (("--storage=6weeks",), ("--storage", "42")),
        (("--kerma", "50", "--snr-target", "0,9"), ("--kerma", "50", "--snr-target", "0.9")),
        (("--kerma", "50", "--cost-under=3,5"), ("--kerma", "50", "--cost-under", "3.5")),
    ):
        said, same = (run("roll", "--speed", 400, *given) for given in (words, exact))
        assert said[0] == 0, said
        assert said == same
    assert "flight 11.5 h" in told(run, "log", file, "--flight-hours", "11,5 h")
    assert "storage 30 days" in told(run, "log", file, "--storage-days", "30d")
    # a list keeps its commas
    rows = json.loads(run("table", "--speeds", "100,400", "--kerma", "10,100", "--format", "json")[1])["rows"]
    assert [(row["speed"], row["kerma_ugy"]) for row in rows] == [(100, 10), (100, 100), (400, 10), (400, 100)]
    code, out, _ = run("roll", "--speed", "400,5,5", "--kerma", 50)
    assert (code, out) == (2, "")
