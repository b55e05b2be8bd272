"""The field card: its figures against the library, its files against independent readers."""

import datetime
import io
import json
import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pypdf
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from page_reader import PageReader
from PIL import Image

from filmdose.answering import answer, answer_grid
from filmdose.errors import ArgumentError, InputFileError
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.history import Flight, History, Pass, Storage, history_dose
from filmdose.odds.cells import total_odds
from filmdose.present.card import CARD_SPEEDS, card_bytes, card_page, card_totals, make_card, write_card
from filmdose.present.page import A5_MM
from filmdose.present.text import CARD_WORDS, read_words, write_words
from filmdose.question import Question
from filmdose.radiation.chain import FORMATS
from filmdose.radiation.sources import get_source
from filmdose.radiation.tube import held_passes
from filmdose.words import headline

DATE = datetime.date(2026, 5, 1)
MARKS = {"good": "", "usable": "†", "poor": "‡"}
HOSTILE = "</script><script>document.title='x'</script><img src=x onerror=alert(1)> $\\frac{ {{7*7}} & \"'"


@pytest.fixture(scope="module")
def card():
    return make_card([100, 800, 3200], date=DATE)


@pytest.fixture(scope="module")
def hostile_card():
    film = generic_film(400)
    own = Film(kind=film.kind, speed=400, records=film.records, name=HOSTILE, origin="measured: steps.csv")
    return make_card([own], date=DATE)


@pytest.mark.long
def test_cells_and_points_are_those_of_the_library(card):
    assert {len(cells) for cells in (*card.cells, *card.typical, *card.verdicts)} == {len(card.films)}
    parts = {part: history_dose(Pass(source=part)).worst_band_ugy[1] for part in ("cabin-xray", "cabin-ct")}
    unknown = next(row for row in card.rows if row.mixture)
    assert unknown.points[0] == pytest.approx(0.5 * sum(parts.values()))
    assert "half the points of each" in " ".join(card.notes)
    for row in card.rows:
        if row.name in ("flight", "storage"):
            event = Flight(hours=10) if row.name == "flight" else Storage(days=30)
            assert row.points == (history_dose(event).kerma_ugy,)
            continue
        if row.mixture:  # see tests/property/test_card_and_odds.py
            low, _, high = history_dose(Pass(source=row.name)).worst_band_ugy
            assert (row.low[0], row.high[0]) == (low, high)
            continue
        bare, sheet, *behind = row.points
        assert bare == history_dose(Pass(source=row.name)).worst_band_ugy[1]
        formats = [history_dose(History(passes=(Pass(source=row.name),), format=name)) for name in FORMATS]
        assert sheet == max(dose.worst_band_ugy[1] for dose in formats)  # never too low for 120 film
        for shield, points in zip(card.shields, behind, strict=True):
            assert points == history_dose(Pass(source=row.name, shield=shield)).worst_band_ugy[1]


@pytest.fixture(scope="module")
def figures(card):
    page = PageReader(card_bytes(card, "html").decode())
    return json.loads(next(text for text in page.texts if text.startswith('{"beams"')))


@pytest.mark.long
def test_doses_and_stops_of_the_belt_on_the_page_are_those_of_the_library(card, figures):
    shields = ["", *(f"{shield.material}={shield.thickness_mm:g}" for shield in card.shields)]
    assert figures["shields"] == shields
    for source in figures["sources"]:
        combinations = [(format, shield or None) for format in FORMATS for shield in shields]
        for (format, shield), points in zip(combinations, source["points"], strict=True):
            dose = history_dose(History(passes=(Pass(source=source["name"], shield=shield),), format=format))
            assert points == pytest.approx([dose.kerma_low_ugy, dose.kerma_ugy, dose.kerma_high_ugy], rel=1e-9)
        for beam, rates in source["held"].items():
            for seconds in (0.5, 60.0, 3600.0):
                wanted = held_passes(get_source(source["name"]), seconds, beam)
                assert [rate * seconds for rate in rates] == pytest.approx(wanted, rel=1e-9)
    assert {source["name"] for source in figures["sources"] if source["held"]} == {row.name for row in card.rows[:4]}


def test_the_page_says_the_headline_as_every_other_output_does():
    text = read_words(CARD_WORDS)
    worth = {"worth": text["head_poor"]}
    assert text("head_best_left", safe="50", **worth) == headline("compensated", "poor", safe=50, typical=50)
    assert text("head_best_left_alone", safe="50", **worth) == headline("compensated", "poor", safe=50)
    said = text("head_best_left_pair", safe="50", typical="80", **worth)
    assert said == headline("compensated", "poor", safe=50, typical=80)
    for verdict in ("good", "usable", "poor"):
        worth = {"worth": text[f"head_{verdict}"]}
        assert text("head_typical", typical="160", **worth) == headline("compensated", verdict, typical=160)
        assert text("head_as_marked", safe="100", **worth) == headline("as_marked", verdict, safe=100, typical=100)
        if verdict == "poor":
            continue
        values = {"safe": "160", "typical": "250", **worth}
        assert text("head_pair", **values) == headline("compensated", verdict, safe=160, typical=250)
        values["typical"] = "125"
        assert text("head_pair_average", **values) == headline("compensated", verdict, safe=160, typical=125)
        assert text("head_same", safe="160", **worth) == headline("compensated", verdict, safe=160, typical=160)
        assert text("head_safe", safe="160", **worth) == headline("compensated", verdict, safe=160)
    assert text["head_nothing"] == headline("compensated", "lost")
    for verdict in ("good", "usable", "poor", "lost"):
        for shot, how in ((200.0, text("head_shot", shot="200")), (None, text["head_exposed_already"])):
            said = text("head_exposed", how=how, worth=text[f"head_{verdict}"])
            assert said == headline("exposed", verdict, shot_ei=shot)
    assert text("head_harmless", how=text["head_exposed_already"]) == headline("exposed", "good", harmless=True)


@pytest.mark.long
def test_a_page_has_a_manifest_and_a_worker_beside_it(card, tmp_path):
    write_card(card, tmp_path / "my card.html")
    assert {path.name for path in tmp_path.iterdir()} == {"my card.html", "my card.webmanifest", "my card.worker.js"}
    manifest = json.loads((tmp_path / "my card.webmanifest").read_text(encoding="utf-8"))
    assert manifest["start_url"] == "./my%20card.html"
    assert '"my card.html", "my card.webmanifest"' in (tmp_path / "my card.worker.js").read_text(encoding="utf-8")


@pytest.mark.long
def test_pdf_is_one_vector_page_with_its_text_and_fonts(card):
    reader = pypdf.PdfReader(io.BytesIO(card_bytes(card, "pdf")))
    (page,) = reader.pages
    assert float(page.mediabox.width) == pytest.approx(A5_MM[0] * 72 / 25.4, abs=0.1)
    assert float(page.mediabox.height) == pytest.approx(A5_MM[1] * 72 / 25.4, abs=0.1)
    assert not page.images
    for font in page["/Resources"]["/Font"].values():
        descriptor = font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
        assert "/FontFile2" in descriptor  # TrueType, embedded
    text = page.extract_text()
    words = " ".join(text.split())
    for part in (
        card.title,
        card.made,
        "2026-05-01",
        "badge readings at 20 checkpoints",
        "Test one unimportant roll",
    ):
        # readers of older versions see a gap where letters are kerned
        assert "".join(part.split()) in "".join(words.split()), part
    for total, cells, typical in zip(card.kerma_ugy, card.cells, card.typical, strict=True):
        pairs = [part for pair in zip(cells, typical, strict=True) for part in pair if part]
        assert re.search(rf"\b{total:g}\s+" + r"\s+".join(map(re.escape, pairs)), words), (total, pairs)


@pytest.mark.long
def test_everything_lies_on_the_page_and_is_legible(card):
    slides = [generic_film(speed, kind="colour-reversal") for speed in (50, 100, 200, 400)]
    mixed = [*slides[1:3], *(generic_film(speed, kind="colour-negative") for speed in (100, 400, 800)), 400, 3200]
    eight = [50, 100, 200, 400, 800, 1600, 3200, 6400]
    rows = [2.8, 5.5, 11, 24, 38, 60, 95, 130, 180, 240, 340, 550, 750, 1000]
    for each in (card, *(make_card(films, kerma_ugy=rows, date=DATE) for films in (eight, slides, mixed))):
        page = card_page(each)
        renderer = FigureCanvasAgg(page.figure).get_renderer()
        width, height = page.figure.canvas.get_width_height()
        for words in page.canvas_axes.texts:
            box = words.get_window_extent(renderer)
            assert box.x0 >= 0, words.get_text()
            assert box.x1 <= width, words.get_text()
            assert box.y0 >= 0, words.get_text()
            assert box.y1 <= height, words.get_text()
        sizes = {words.get_text(): words.get_fontsize() for words in page.canvas_axes.texts}
        assert min(sizes.values()) >= 6.5
        bold = {t.get_text(): t.get_fontsize() for t in page.canvas_axes.texts if t.get_fontweight() == "bold"}
        assert min(bold[cell] for cells in each.cells for cell in cells) >= 7.5


@pytest.mark.few(1)
@pytest.mark.parametrize("films", [[100, 800, 3200], [100, 200, 400, 800, 1600, 3200, 6400, 6400]])
def test_no_letters_overlap(films):
    page = card_page(make_card(films, kerma_ugy=[2.8, 5.5, 24, 95, 240, 550], date=DATE))
    renderer = FigureCanvasAgg(page.figure).get_renderer()
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in page.canvas_axes.texts]
    for i, (words, box) in enumerate(boxes):
        for others, other in boxes[i + 1 :]:
            apart = box.x1 <= other.x0 or other.x1 <= box.x0 or box.y1 <= other.y0 + 1.5 or other.y1 <= box.y0 + 1.5
            assert apart, (words, others)


def test_shade_only_repeats_what_the_text_says():
    card = make_card([3200], kerma_ugy=[10, 60, 20_000], date=DATE)
    plain, marked, none = (row[0] for row in card.cells)
    assert plain.isdigit()
    assert marked[:-1].isdigit()
    assert marked[-1] == "†"
    assert none == "none"
    shades = [patch.get_facecolor() for patch in card_page(card).canvas_axes.patches]
    assert len(shades) == 2  # the marked cell and the one that says none
    assert "† usable: 65 %" in card.legend
    assert "none: lost" in card.legend


@pytest.mark.long
def test_reversal_film_shows_what_its_blacks_lose():
    film = generic_film(100, kind="colour-reversal")
    card = make_card([film], kerma_ugy=[10, 150, 600, 1200, 8000], date=DATE)
    verdicts = []
    for total, cells in zip(card.kerma_ugy, card.cells, strict=True):
        found = answer(film, total)
        verdicts.append(found.verdict)
        assert cells == ("none" if found.verdict == "lost" else f"−{-found.fog_density:.2f}{MARKS[found.verdict]}",)
    assert verdicts == ["good", "good", "usable", "poor", "lost"]
    assert not any(map(any, card.typical))
    assert "expose as marked" in card.legend
    assert "0.3 at most and 85 %" in card.legend
    assert "colour reversal film" in card.subtitle
    assert card_bytes(card, "pdf")


@pytest.mark.long
def test_svg_and_png(card):
    root = ElementTree.fromstring(card_bytes(card, "svg"))
    assert root.tag.endswith("svg")
    assert root.get("width") == f"{A5_MM[0] * 72 / 25.4:.6f}".rstrip("0").rstrip(".") + "pt"
    assert not [e for e in root.iter() if e.tag.endswith("}image")]
    assert any("Film dose card" in (e.text or "") for e in root.iter())
    with Image.open(io.BytesIO(card_bytes(card, "png"))) as image:
        assert image.size == (int(A5_MM[0] / 25.4 * 200), int(A5_MM[1] / 25.4 * 200))


@pytest.mark.long
@pytest.mark.parametrize("format", ["pdf", "svg", "png", "html"])
def test_same_input_same_bytes_and_only_the_date_differs(card, format):
    first = card_bytes(card, format)
    again = card_bytes(make_card([100, 800, 3200], date=DATE), format)
    assert first == again
    assert card_bytes(make_card([100, 800, 3200], date=datetime.date(2026, 5, 2)), format) != first


@pytest.mark.long
def test_the_page_asks_for_nothing_from_outside(card):
    text = card_bytes(card, "html").decode()
    page = PageReader(text)
    names = {name for name, _ in page.attributes}
    assert not names & {"src", "href", "srcset", "action", "style", "data", "poster"}
    assert "default-src 'none'" in dict(page.attributes)["content"] or "default-src 'none'" in text
    assert not re.search(r"https?:|url\(|@import|fetch\(|XMLHttpRequest|import\(", text)
    assert not {"link", "img", "iframe", "object", "embed"} & set(page.tags)


@pytest.mark.long
def test_the_page_holds_the_printed_table(card):
    page = PageReader(card_bytes(card, "html").decode())
    for cells in card.cells:
        for cell in cells:
            assert cell in page.texts


@pytest.mark.long
def test_hostile_names_are_text(hostile_card):
    text = card_bytes(hostile_card, "html").decode()
    assert PageReader(text).tags.count("script") == 2
    assert "img" not in PageReader(text).tags
    assert HOSTILE in PageReader(text).texts
    assert "{{7*7}}" in text
    card_bytes(hostile_card, "svg")
    extracted = pypdf.PdfReader(io.BytesIO(card_bytes(hostile_card, "pdf"))).pages[0].extract_text()
    assert "onerror" in extracted.replace("\n", "")


# -- words -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def english(tmp_path):
    return write_words(CARD_WORDS, tmp_path / "text.toml")


@pytest.mark.long
def test_a_translation_replaces_every_word(english):
    original = english.read_text(encoding="utf-8")
    strange = re.sub(r'(?m)^([\w-]+) = "(?!en"$)(?!"$)(.+)"$', r'\1 = "Ž \2"', original)
    english.write_text(strange, encoding="utf-8")
    card = make_card([100], text=read_words(CARD_WORDS, english), date=DATE)
    texts = [t.get_text() for t in card_page(card).canvas_axes.texts]
    assert "Ž Film dose card" in texts
    # every paragraph and heading begins with the mark; only figures and continued lines do not
    assert sum(text.startswith("Ž") for text in texts) >= 25
    assert "Ž " + read_words(CARD_WORDS)["page_intro"] in card_bytes(card, "html").decode()


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('title = "Film dose card"\n', "", r"text 'title': is missing"),
        ('title = "Film dose card"', 'titel = "x"\ntitle = "y"', r"text 'titel': is not known"),
        ('title = "Film dose card"', "title = 3", r"text 'title': is 3"),
        ("{version}", "{versoin}", r"text 'made': has the placeholders \{date\}, \{versoin\}"),
        ("{version}, {date}", "{version}", r"text 'made': has the placeholders"),
        ("{version}", "{version.__class__}", r"text 'made'"),
        ("{version}", "{version!r}", r"more than a name"),
        ("{version}", "{version", r"braces that do not match|placeholders"),
        ('title = "Film dose card"', "title = ", r"not valid TOML"),
    ],
)
def test_a_faulty_translation_says_where(english, old, new, message):
    original = english.read_text(encoding="utf-8")
    assert old in original
    english.write_text(original.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputFileError, match=message) as caught:
        read_words(CARD_WORDS, english)
    assert str(english) in str(caught.value)


def test_letters_that_the_font_lacks_are_refused(english):
    english.write_text(english.read_text(encoding="utf-8").replace("Film dose card", "胶片"), encoding="utf-8")
    with pytest.raises(ArgumentError, match="letters that the font DejaVu Sans has"):
        card_page(make_card([100], text=read_words(CARD_WORDS, english), date=DATE))


@pytest.mark.long
def test_words_that_do_not_fit_are_refused(english):
    english.write_text(
        english.read_text(encoding="utf-8").replace("No exposure index", "No " * 900 + "exposure index"),
        encoding="utf-8",
    )
    with pytest.raises(ArgumentError, match="fit on one A5 page"):
        card_page(make_card([100], text=read_words(CARD_WORDS, english), date=DATE))


@pytest.mark.parametrize(
    "options",
    [
        {"films": []},
        {"films": [100] * 9},
        {"shields": ["lead=0.1"] * 4},
        {"sources": []},
        {"sources": ["cabin-ct-scan"]},
        {"kerma_ugy": [10, 5]},
        {"kerma_ugy": [-1]},
    ],
)
def test_impossible_cards_are_refused(options):
    with pytest.raises((ArgumentError, KeyError)):
        make_card(**{"films": [100], **options})


@pytest.mark.long
def test_the_file_name_chooses_the_format(card, tmp_path):
    with pytest.raises(ArgumentError, match=r"\.pdf, \.svg, \.png or \.html"):
        write_card(card, tmp_path / "card.doc")
    assert list(tmp_path.iterdir()) == []
    assert write_card(card, tmp_path / "card.html").read_bytes() == card_bytes(card, "html")


@pytest.mark.long
@pytest.mark.parametrize(
    ("kind", "speeds"),
    [("bw-negative", CARD_SPEEDS), ("colour-negative", (100, 200, 400, 800, 1600)), ("bw-negative", (400,))],
)
def test_reading_up_to_the_next_row_costs_a_third_of_a_stop_at_most(kind, speeds):
    films = [generic_film(speed, kind=kind) for speed in speeds]
    totals = np.array(card_totals(films, Question()))
    assert totals.size <= 14
    assert totals[-1] >= 900.0
    doses = np.geomspace(0.5, totals[-1], 2000)
    for film in films:
        at = answer_grid([film], doses)["ei"].to_numpy().ravel()
        shown = answer_grid([film], totals)["ei"].to_numpy().ravel()[np.searchsorted(totals, doses)]
        cost = np.log2(at / shown)  # NaN where the film is lost
        assert np.nanmax(cost) < 0.36  # steps of the printed scale are not quite even
        assert np.nanmin(cost) > -0.03
    # the safe index and the typical one of the odds, just above a row and on the next
    just_above = [0.5, *(total * 1.001 for total in totals[:-1])]
    pairs = zip(total_odds(films, just_above, samples=1024), total_odds(films, totals, samples=1024), strict=True)
    for before, on in pairs:
        for one, next_ in zip(before, on, strict=True):
            for name in ("ei_recommended", "ei_median"):
                high, low = getattr(one, name), getattr(next_, name)
                if "lost" not in (one.verdict, next_.verdict) and high is not None and low is not None:
                    assert -0.03 < np.log2(high / low) < 0.36, (name, one.kerma_ugy[1], next_.kerma_ugy[1])
