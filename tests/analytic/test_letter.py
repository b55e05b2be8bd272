"""The letter about a damaged roll: one dose, what is known kept apart, blanks, pictures, every kind and format."""

import base64
import datetime
import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pypdf
import pytest
from page_reader import PageReader
from PIL import Image

from filmdose.errors import ArgumentError, InputFileError, OutputFileError, UnknownNameError
from filmdose.film.generic import generic_film
from filmdose.history import Flight, History, Pass, Storage
from filmdose.present.damage import assess_damage, report_document, report_dose
from filmdose.present.document import Picture
from filmdose.present.letter import BLANKS, LETTER_WORDS, letter_document
from filmdose.present.page import check_letters
from filmdose.present.photos import read_picture
from filmdose.present.text import Words, read_words
from filmdose.present.writers import FORMATS, render, write_document
from filmdose.trip import DoseReading, FogReading, Roll, Trip
from filmdose.tripfile import read_trip
from filmdose.words import dose_text

EXAMPLE = Path(__file__).parents[2] / "notebooks" / "trip_measured.toml"
FEW = {"samples": 256, "date": datetime.date(2026, 5, 3)}


@pytest.fixture(scope="module")
def report():
    return assess_damage(read_trip(EXAMPLE), "ridge-400", **FEW)


def words_of(document):
    return PageReader(render(document, "html").decode()).words


def test_one_dose_and_it_is_that_of_the_report(report):
    basis, kerma = report_dose(report)
    assert (basis, kerma) == ("both", report.after.kerma_ugy)
    words = words_of(letter_document(report))
    low, middle, high = map(dose_text, kerma)
    assert f"log and all readings of the journey together is {middle} ({low} to {high})" in words
    assert f"(used in this letter) {low} {middle} {high}" in words
    table = letter_document(report).frame.set_index("quantity")
    assert table.loc["dose", "middle"] == report.after.kerma_ugy[1]
    assert words.index("Annex A") < words.index("Annex B") < words.index("Annex C") < words.index("References")
    # the report of the same roll says the same middle and range
    assert middle in words_of(report_document(report))


def test_of_a_roll_that_was_not_measured_the_log_carries_the_letter():
    report = assess_damage(read_trip(EXAMPLE), "valley-400", **FEW)
    alone = assess_damage(replace(report.trip, rolls=(report.roll,)), "valley-400", **FEW)
    assert report_dose(alone) == ("log", alone.before.kerma_ugy)
    words = words_of(letter_document(alone))
    assert "Nothing was measured on this roll" in words
    assert "that agrees with the log alone" in words
    assert "exposed in the camera when it was scanned" in words


def test_where_log_and_reading_contradict_the_reading_carries_the_letter():
    roll = Roll(
        id="r",
        film=generic_film(100),
        history=History(passes=(Pass(source="cabin-xray"),)),
        readings=(FogReading(base_plus_fog=1.3, control=0.3, error=0.01),),
    )
    report = assess_damage(Trip(rolls=(roll,)), "r", **FEW)
    assert report_dose(report) == ("fog", report.from_fog[0])
    document = letter_document(report)
    words = words_of(document)
    assert "The conclusions rest on the measurement" in words
    assert dose_text(report.from_fog[0][1]) in words
    assert set(document.frame["quantity"]) == {"dose_from_log", "dose_from_reading", "dose"}
    assert document.frame.set_index("quantity").loc["dose", "middle"] == report.from_fog[0][1]


@pytest.mark.long
@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative", "colour-reversal", "bw-reversal"])
@pytest.mark.parametrize("state", ["unexposed", "exposed", "measured", "lost", "clean"])
def test_every_kind_and_state_in_every_format(kind, state):
    scanned = Pass(source="hold-ct", count=300) if state == "lost" else Pass(source="cabin-xray", held_s=0.5)
    passes = () if state == "clean" else (scanned,)
    film = generic_film(200, kind=kind)
    record = film.records[len(film.records) // 2]
    measured = {
        "base_plus_fog": float(record.maximum_density() if film.reversal else record.minimum_density())
        + (-0.1 if film.reversal else 0.1)
    }
    readings = (FogReading(**measured), DoseReading(value="9 mR")) if state == "measured" else ()
    history = History(passes=passes, flights=Flight(hours=8), storage=Storage(days=20))
    roll = Roll(
        id="x",
        film=film,
        history=history,
        readings=readings,
        state="exposed" if state == "exposed" else "unexposed",
    )
    document = letter_document(assess_damage(Trip(rolls=(roll,)), "x", **FEW))
    for format in FORMATS:
        content = render(document, format)
        if format not in ("xlsx", "pdf"):
            assert "nan" not in re.findall(r"[a-z]+", content.decode().lower())
    words = words_of(document)
    assert "not legal advice" in words
    assert ("Verdict: lost" in words) == (state == "lost")
    pages = pypdf.PdfReader(io.BytesIO(render(document, "pdf"))).pages
    assert "Annex C" in " ".join(page.extract_text() for page in pages)


def test_blanks_stay_blank_or_hold_what_the_owner_says(report):
    blank = words_of(letter_document(report))
    assert blank.count("____") >= len(BLANKS)
    filled = dict.fromkeys(BLANKS, "<b>Hill & Road</b>")
    words = words_of(letter_document(report, filled=filled))
    assert "____" not in words
    assert words.count("<b>Hill & Road</b>") == len(BLANKS)  # text, not markup
    with pytest.raises(UnknownNameError, match="sendr"):
        letter_document(report, filled={"sendr": "x"})


def test_a_translation_changes_every_word_and_no_figure(report, tmp_path):
    words = read_words(LETTER_WORDS)
    lines, table = [], ""
    for name, text in words.texts.items():
        above, _, inner = name.rpartition(".")
        if above != table:
            lines.append(f"[{above}]")
            table = above
        shouted = re.sub(r"(\{\w+\})|([^{}]+)", lambda part: part[1] or part[2].upper(), text)
        if inner in ("language", "font"):
            shouted = {"language": "xx", "font": ""}[inner]
        lines.append(f"{inner} = '''{shouted}'''")
    file = tmp_path / "words.toml"
    file.write_text("\n".join(lines), encoding="utf-8")
    document = letter_document(report, words=read_words(LETTER_WORDS, file))
    page = render(document, "html").decode()
    assert '<html lang="xx">' in page
    said = PageReader(page).words
    start = said[said.rindex("DAMAGE TO") : said.index("REFERENCES")]
    ours = {"ridge", "uGy", "visual", "first", "checkpoint", "hall", "second", "gate", "sent", "back", "and", "scanned"}
    ours |= {"again", "lead", "mm", "filmdose", "generic", "inference", "typical", "values"}
    assert set(re.findall(r"[a-z]{2,}", start)) <= ours | {"to", "of", "Gy", "µGy"}
    english = words_of(letter_document(report))
    figures = r"\d+\.\d+"
    assert sorted(re.findall(figures, said)) == sorted(re.findall(figures, english))


def test_letters_from_right_to_left_are_for_pages_of_the_web(report):
    document = letter_document(report, filled={"sender": "שלום"})
    assert "שלום" in words_of(document)
    with pytest.raises(ArgumentError, match=r"right to left|left to right"):
        render(document, "pdf")


def test_what_another_roll_contradicts_is_not_said_of_this_one():
    measured = Roll(
        id="read",
        film=generic_film(100),
        history=History(passes=(Pass(source="cabin-xray"),)),
        readings=(FogReading(base_plus_fog=1.3, control=0.3, error=0.01),),
    )
    other = Roll(id="other", film=generic_film(100), history=History(passes=(Pass(source="cabin-ct"),)))
    found = assess_damage(Trip(rolls=(measured, other)), "other", **FEW)
    assert found.contradiction
    assert report_dose(found) == ("log", found.before.kerma_ugy)
    document = letter_document(found)
    words = words_of(document)
    assert "rest on the log alone" in words
    assert "rest on the measurement" not in words
    assert "of speed lost in the shadows" in words  # the log carries it, so its losses stand there
    assert "rest on the log alone" in words_of(report_document(found))
    assert "stops_lost" in set(document.frame["quantity"])


def test_the_report_of_a_contradiction_has_no_losses_of_the_log():
    roll = Roll(
        id="r",
        film=generic_film(100),
        history=History(passes=(Pass(source="cabin-xray"),)),
        readings=(FogReading(base_plus_fog=1.3, control=0.3, error=0.01),),
    )
    found = assess_damage(Trip(rolls=(roll,)), "r", **FEW)
    words = words_of(report_document(found))
    assert "The conclusions rest on the reading alone" in words
    assert "from the log alone)" not in words
    pd.testing.assert_frame_equal(report_document(found).frame, letter_document(found).frame)


@pytest.mark.parametrize("words", ["שלום", "سلام", "नमस्ते कि"])
def test_scripts_that_printed_pages_cannot_set_are_refused_whatever_the_font(words):
    with pytest.raises(ArgumentError, match=r"html or \.md"):
        check_letters(words, "DejaVu Sans")


def test_a_page_runs_as_its_title_does(report):
    texts = dict(read_words(LETTER_WORDS).texts)
    texts |= {"title": "{roll} – نزق", "language": "xx"}  # a roll's name first, in Latin letters
    assert " dir=" not in render(letter_document(report, words=Words(texts)), "html").decode()[:200]
    texts["title"] = "شريط {roll}"
    assert '<html lang="xx" dir="rtl">' in render(letter_document(report, words=Words(texts)), "html").decode()


# -- pictures --------------------------------------------------------------------------------------------------------


def photo(path, size=(40, 20), mode="RGB", exif=None):
    image = Image.new(mode, size)
    image.paste(255 if mode == "L" else (255, 0, 0), (0, 0, size[0] // 2, size[1])) if mode in ("RGB", "L") else None
    image.save(path, **({} if exif is None else {"exif": exif}))
    return path


def test_a_photograph_stands_upright_and_tells_nothing_else(tmp_path):
    exif = Image.Exif()
    exif[0x0112] = 6  # the camera was turned
    exif[0x010F] = "A camera that does not exist"
    found = read_picture(photo(tmp_path / "a.jpg", exif=exif), "turned")
    assert (found.width, found.height) == (20, 40)
    assert b"does not exist" not in found.jpeg
    assert dict(Image.open(io.BytesIO(found.jpeg)).getexif()) == {}


def test_large_deep_and_transparent_pictures(tmp_path):
    large = read_picture(photo(tmp_path / "large.png", size=(4000, 1000)), "large")
    assert (large.width, large.height) == (1600, 400)
    deep = np.linspace(0, 65535, 256).astype(np.uint16).reshape(16, 16)
    Image.fromarray(deep).save(tmp_path / "deep.tif")
    grey = np.asarray(
        Image.open(io.BytesIO(read_picture(tmp_path / "deep.tif", "deep").jpeg)).convert("L"), dtype=float
    )
    assert np.max(np.abs(grey - deep / 257.0)) < 12  # of JPEG
    # more pixels than are made eight bits deep at once: brightness goes on evenly across the borders of the parts
    tall = np.linspace(0, 65535, 2600).astype(np.uint16)[:, None] * np.ones((1, 1000), dtype=np.uint16)
    Image.fromarray(tall).save(tmp_path / "tall.tif")
    shown = Image.open(io.BytesIO(read_picture(tmp_path / "tall.tif", "tall").jpeg)).convert("L")
    assert shown.size == (615, 1600)
    assert np.max(np.abs(np.asarray(shown, dtype=float).mean(axis=1) - np.linspace(0, 255, 1600))) < 4  # of JPEG
    Image.new("RGBA", (8, 8), (0, 0, 0, 0)).save(tmp_path / "clear.png")
    clear = Image.open(io.BytesIO(read_picture(tmp_path / "clear.png", "clear").jpeg))
    assert clear.getpixel((4, 4)) == (255, 255, 255)


@pytest.mark.parametrize("content", [b"", b"no picture", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff\xe0"])
def test_what_is_no_picture_is_one_line(content, tmp_path):
    file = tmp_path / "x.jpg"
    file.write_bytes(content)
    with pytest.raises(InputFileError, match=r"x\.jpg"):
        read_picture(file, "x")
    with pytest.raises(InputFileError, match="none"):
        read_picture(tmp_path / "none.jpg", "x")


def test_a_picture_of_too_many_pixels_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("filmdose.present.photos.MOST_PIXELS", 100)
    with pytest.raises(InputFileError, match="40 x 20 pixels"):
        read_picture(photo(tmp_path / "a.png"), "a")


@pytest.mark.long
def test_pictures_are_in_the_page_in_the_pdf_and_beside_markdown(report, tmp_path):
    picture = read_picture(photo(tmp_path / "a.jpg", size=(400, 300)), "a frame | with <marks>")
    document = letter_document(report, pictures=[picture, picture])
    page = render(document, "html").decode()
    assert page.count(base64.b64encode(picture.jpeg).decode()) == 2
    assert "Picture 2. a frame | with <marks>" in PageReader(page).words
    pages = pypdf.PdfReader(io.BytesIO(render(document, "pdf"))).pages
    assert max(len(page.images) for page in pages) == 2
    write_document(document, tmp_path / "l.md")
    assert (tmp_path / "l_2.jpg").read_bytes() == picture.jpeg
    assert "](l_1.jpg)" in (tmp_path / "l.md").read_text()
    (tmp_path / "m_2.jpg").write_bytes(b"the owner's own photograph")
    with pytest.raises(OutputFileError, match=r"m_2\.jpg"):
        write_document(document, tmp_path / "m.md")
    assert (tmp_path / "m_2.jpg").read_bytes() == b"the owner's own photograph"
    assert not (tmp_path / "m.md").exists()
    assert not (tmp_path / "m_1.jpg").exists()
    write_document(document, tmp_path / "l.md")  # the same again is no harm
    assert all(isinstance(block, Picture) is False or block.words for block in document.blocks)


def test_a_tiff_of_impossible_size_is_one_line(tmp_path):
    """Found by reference/fuzz.py: Pillow ends in a bare ValueError."""
    file = tmp_path / "x.tif"
    stream = io.BytesIO()
    Image.new("L", (10, 10)).save(stream, format="TIFF")
    content = bytearray(stream.getvalue())
    place = content.index(b"\x00\x01\x04\x00") if b"\x00\x01\x04\x00" in content else content.index(b"\x00\x01\x03\x00")
    content[place + 8 : place + 12] = b"\x00\x00\x00\x00"  # its width is nothing
    file.write_bytes(content)
    with pytest.raises(InputFileError, match="not a picture"):
        read_picture(file, "x")
