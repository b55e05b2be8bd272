"""filmdose card: files from options, and what it refuses."""

import pypdf
import pytest

from filmdose.film.filmfile import write_film
from filmdose.film.generic import generic_film


def test_card_of_speeds_and_of_own_films(run, tmp_path):
    film = write_film(generic_film(640), tmp_path / "mine.toml")
    target = tmp_path / "card.pdf"
    code, out, err = run(
        "card", "--output", target, "--film", film, "--speeds", "100", "--kerma", "1 mR,100",
        "--shield", "lead=0.25", "--source", "cabin-ct", "--date", "2026-05-01",
    )  # fmt: skip
    assert (code, out, err) == (0, "", "")
    words = " ".join(pypdf.PdfReader(target).pages[0].extract_text().split())
    assert "ISO 640" in words
    assert "ISO 100" in words
    assert "8.76" in words
    assert "2026-05-01" in words
    assert "hold baggage" not in words


@pytest.mark.long
def test_the_words_to_translate_are_written_and_read(run, tmp_path):
    words, target = tmp_path / "words.toml", tmp_path / "card.html"
    assert run("card", "--write-text", words)[0] == 0
    words.write_text(words.read_text(encoding="utf-8").replace("Film dose card", "Karte"), encoding="utf-8")
    code, _, err = run("card", "--speeds", "100", "--text", words, "--output", target)
    assert (code, err) == (0, "")
    assert "<h1>Karte</h1>" in target.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        ([], "output"),
        (["--output", "card.doc"], ".pdf, .svg, .png or .html"),
        (["--output", "card.pdf", "--speeds", "x"], "speeds"),
        (["--output", "card.pdf", "--speeds", "100", "--shield", "lead"], "shield"),
        (["--output", "card.pdf", "--speeds", "100", "--source", "cabin"], "source"),
        (["--output", "card.pdf", "--speeds", "100", "--text", "none.toml"], "none.toml: cannot be read"),
        (["--output", "card.pdf", "--film", "none.toml"], "none.toml"),
        (["--output", "card.pdf", "--speeds", "100", "--date", "1.5.2026"], "date"),
        (["--output", "no/card.pdf", "--speeds", "100"], "cannot be written"),
    ],
)
def test_bad_options_are_one_line_and_write_nothing(run, words, problem, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    code, out, err = run("card", *words)
    assert (code, out) == (2, "")
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert problem in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.long
@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative", "colour-reversal", "bw-reversal"])
def test_a_card_of_every_kind_needs_no_speeds(run, tmp_path, kind):
    status, _, error = run("card", "--kind", kind, "-o", str(tmp_path / "card.html"))
    assert (status, error) == (0, "")
    assert "ISO 100" in (tmp_path / "card.html").read_text(encoding="utf-8")


@pytest.mark.long
def test_a_card_of_slides_alone_tells_no_index_to_set(run, tmp_path):
    target = tmp_path / "card.pdf"
    assert run("card", "--kind", "colour-reversal", "-o", target)[0] == 0
    words = " ".join(pypdf.PdfReader(target).pages[0].extract_text().split())
    assert "Expose as marked" in words
    assert "on the meter" not in words
    assert "−0.00" not in words
