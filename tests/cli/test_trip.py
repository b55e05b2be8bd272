"""filmdose trip: a line for each roll, and errors that say where in the file."""

import json
from pathlib import Path

import pytest

from filmdose.history import Pass, history_dose

EXAMPLE = Path(__file__).parents[2] / "notebooks" / "trip_example.toml"
ROLL = '[[roll]]\nid = "a"\nspeed = 400\n'


def test_example_prints_one_line_for_each_roll(run):
    code, out, _ = run("trip", EXAMPLE)
    assert code == 0
    assert "[invented]" in out
    for name in ("harbour-100", "harbour-400", "night-800", "night-3200"):
        assert sum(line.strip().startswith(name) for line in out.splitlines()) == 1


def dose(source, shield=None):
    """Typical dose of one pass [uGy]."""
    return history_dose(Pass(source=source, shield=shield)).kerma_ugy


def test_example_doses_are_the_sum_of_their_passes(run):
    # by hand from the file: X-ray, CT, and two X-ray passes of three times the usual length
    code, out, _ = run("trip", EXAMPLE, "--format", "json")
    assert code == 0
    got = {row["roll"]: row["kerma_ugy"] for row in json.loads(out)["rolls"]}
    xray, ct, behind = dose("cabin-xray"), dose("cabin-ct"), dose("cabin-ct", "lead=0.25")
    assert got["harbour-100"] == pytest.approx(xray + ct + 6 * xray, rel=1e-9)
    assert got["night-800"] == pytest.approx(xray + behind + 6 * xray, rel=1e-9)
    assert got["night-3200"] == pytest.approx(behind + 6 * xray, rel=1e-9)


def test_passes_without_rolls_count_for_all(run, tmp_path):
    file = tmp_path / "trip.toml"
    file.write_text(ROLL + '[[roll]]\nid = "b"\nspeed = 100\n[[pass]]\nsource = "cabin-ct"\n')
    code, out, _ = run("trip", file, "--format", "json")
    assert code == 0
    assert [row["kerma_ugy"] for row in json.loads(out)["rolls"]] == [dose("cabin-ct")] * 2


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[roll]\n", ["not valid TOML", "line 1"]),
        ("", ["no roll"]),
        ("[[roll]]\nspeed = 400\n", ["roll number 1", "'id'", "missing"]),
        ('[[roll]]\nid = "a"\n', ["roll 'a'", "speed", "missing"]),
        ('[[roll]]\nid = "a"\nspeed = "fast"\n', ["roll 'a'", "'speed'", "'fast'"]),
        ('[[roll]]\nid = "a"\nspeed = true\n', ["roll 'a'", "'speed'"]),
        ('[[roll]]\nid = "a"\nspeed = -1\n', ["roll 'a'", "'speed'", "-1"]),
        (ROLL + "asa = 400\n", ["roll 'a'", "'asa'", "not known"]),
        (ROLL + ROLL, ["roll 'a'", "'id'", "twice"]),
        (ROLL + '[[scan]]\nsource = "cabin-ct"\n', ["scan", "not known"]),
        (ROLL + '[pass]\nsource = "cabin-ct"\n', ["[[pass]]"]),
        (ROLL + '[[pass]]\nsource = "cabin-tc"\n', ["pass number 1", "'source'", "Did you mean cabin-ct"]),
        (ROLL + '[[pass]]\nsource = "cabin-ct"\nrolls = ["z"]\n', ["pass number 1", "'rolls'", "'z'"]),
        (ROLL + '[[pass]]\nsource = "cabin-ct"\ncount = 1.5\n', ["pass number 1", "'count'", "1.5"]),
        (ROLL + '[[pass]]\nsource = "cabin-ct"\ncount = -1\n', ["pass number 1", "'count'", "-1"]),
        (ROLL + '[[pass]]\nsource = "cabin-ct"\nshield = "lead=-1"\n', ["pass number 1", "'shield'", "-1"]),
        (ROLL + '[[pass]]\nsource = "cabin-ct"\nmultiplier = nan\n', ["pass number 1", "'multiplier'", "nan"]),
        (ROLL + '[[pass]]\nsource = "cabin-ct"\nkerma = "1 mRx"\n', ["pass number 1", "'kerma'", "mRx"]),
        (ROLL + '[[pass]]\nsource = "cabin-ct"\ndate = "May"\n', ["pass number 1", "'date'"]),
        (ROLL + "[[pass]]\ncount = 1\n", ["pass number 1", "'source'", "missing"]),
    ],
)
def test_errors_name_file_place_and_field(run, tmp_path, text, says):
    file = tmp_path / "trip.toml"
    file.write_text(text)
    target = tmp_path / "out.csv"
    code, out, err = run("trip", file, "--format", "csv", "--output", target)
    assert code == 2
    assert out == ""
    assert err.count("\n") == 1
    for words in ["trip.toml", *says]:
        assert words in err
    assert not target.exists()


def test_missing_file_and_wrong_encoding(run, tmp_path):
    code, _, err = run("trip", tmp_path / "none.toml")
    assert code == 2
    assert "cannot be read" in err
    file = tmp_path / "latin.toml"
    file.write_bytes(b'[trip]\ntitle = "\xe9t\xe9"\n')
    code, _, err = run("trip", file)
    assert code == 2
    assert "UTF-8" in err
