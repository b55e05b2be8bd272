"""Make the images of the README, all of them from the library itself.

Run from anywhere: ``python reference/make_gallery.py``.  The same versions of the
packages give the same bytes, but for the picture of the phone page: that one is a
photograph taken by the program chromium, and is left as it is where there is none.
"""

from __future__ import annotations

import datetime
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib

from filmdose.film.generic import generic_film
from filmdose.history import Flight, Pass, Storage, history_dose
from filmdose.odds import tornado, trip_sobol
from filmdose.picture import preview
from filmdose.planning import make_plan
from filmdose.plotting import (
    house_style,
    plot_characteristic_curves,
    plot_compare,
    plot_ei_isolines,
    plot_loss,
    plot_shares,
    plot_signal_to_noise,
    plot_sobol,
    plot_spectra,
    plot_stops,
    plot_tornado,
)
from filmdose.present.card import card_page, make_card, write_card
from filmdose.present.damage import assess_damage, report_document
from filmdose.present.page import page_png
from filmdose.present.pages import document_pages
from filmdose.present.sheet import sheet_page
from filmdose.question import Question
from filmdose.tripfile import read_trip
from filmdose.whatif import WhatIf, what_if

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FOLDER = Path(__file__).parent / "gallery"
TRIPS = Path(__file__).parents[1] / "notebooks"
DATE = datetime.date(2026, 5, 1)


def told(path: Path) -> None:
    """Say what was made."""
    print(f"{path.name}  {path.stat().st_size / 1024:.0f} kB")


def save(name: str, ax: Axes) -> None:
    """Save one plot as a PNG without a date in it."""
    path = FOLDER / f"{name}.png"
    with house_style():
        ax.figure.savefig(path, dpi=110, metadata={"Software": None})
    told(path)


def save_bytes(name: str, content: bytes) -> None:
    """Save a finished PNG."""
    path = FOLDER / f"{name}.png"
    path.write_bytes(content)
    told(path)


def photograph_phone_page() -> None:
    """Take a picture of the phone page after two passes of cabin CT and one of X-ray."""
    chromium = shutil.which("chromium")
    if chromium is None:
        print("phone_page.png  left as it is: no program chromium")
        return
    target = FOLDER / "phone_page.png"
    with tempfile.TemporaryDirectory() as folder:
        page = write_card(make_card(date=DATE), Path(folder) / "card.html")
        roll = '[[roll]]\nid = "harbour"\nspeed = 400\n'
        trip = roll + '[[pass]]\nsource = "cabin-ct"\ncount = 2\n[[pass]]\nsource = "cabin-xray"\n'
        enter = f"document.getElementById('toml').value = {trip!r}; document.getElementById('import').click();"
        filled = page.read_text("utf-8").replace("</body>", f"<script>{enter}</script></body>")
        page.write_text(filled, "utf-8")
        words = ["--headless", "--no-sandbox", "--hide-scrollbars", "--window-size=500,1000"]
        subprocess.run([chromium, *words, f"--screenshot={target}", page.as_uri()], check=True, capture_output=True)
    told(target)


def see() -> None:
    """Pictures of rolls: a colour negative still to be shot, one exposed before the scan, and a slide."""
    colour = generic_film(400, kind="colour-negative")
    save_bytes("preview", preview(colour, 300.0, width=240)._repr_png_())
    save_bytes("preview_exposed", preview(400, 400.0, Question(peak_to_mean=1.5), exposed=True, width=240)._repr_png_())
    slide = generic_film(100, kind="colour-reversal")
    save_bytes("preview_slide", preview(slide, 800.0, width=240)._repr_png_())


def compared() -> dict[str, WhatIf]:
    """Films, doses and shields that one may choose from for a way through four checkpoints with cabin CT."""
    cases = {
        "ISO 100, one pass": {"speed": 100, "counts": {"cabin-ct": 1}},
        "ISO 400, one pass": {"speed": 400, "counts": {"cabin-ct": 1}},
        "ISO 400, four passes": {"speed": 400, "counts": {"cabin-ct": 4}},
        "the same behind 0.5 mm of lead": {"speed": 400, "counts": {"cabin-ct": 4}, "shield": "lead=0.5"},
        "ISO 800, colour, one pass": {"speed": 800, "kind": "colour-negative", "counts": {"cabin-ct": 1}},
        "ISO 1600, four passes": {"speed": 1600, "counts": {"cabin-ct": 4}},
    }
    return {name: what_if(samples=2**14, **options) for name, options in cases.items()}  # type: ignore[arg-type]


def main() -> None:
    """Make every image."""
    matplotlib.use("Agg")
    FOLDER.mkdir(exist_ok=True)
    save("curves", plot_characteristic_curves(800, 200.0))
    save("stops", plot_stops())
    save("ei_isolines", plot_ei_isolines())
    save("loss", plot_loss(800, 200.0))
    save("signal_to_noise", plot_signal_to_noise(800, [10.0, 30.0, 100.0, 300.0]))
    save("spectra", plot_spectra())
    events = [
        Pass(source="cabin-xray", count=3),
        Pass(source="cabin-ct", shield="lead=0.25"),
        Flight(hours=22),
        Storage(days=60),
    ]
    save("compare", plot_compare(compared()))
    save("shares", plot_shares(history_dose(events)))

    example = read_trip(TRIPS / "trip_example.toml")
    save("tornado", plot_tornado(tornado(example, "night-800")))
    save("sobol", plot_sobol(trip_sobol(example, "night-800")))

    save_bytes("card", page_png(card_page(make_card(date=DATE)), dots_per_inch=110))
    plan = make_plan(read_trip(TRIPS / "trip_ahead.toml"), samples=1024)
    save_bytes("sheet", page_png(sheet_page(plan, date=DATE), dots_per_inch=80))
    damage = assess_damage(read_trip(TRIPS / "trip_measured.toml"), "ridge-400", samples=4096, date=DATE)
    save_bytes("damage_report", page_png(document_pages(report_document(damage))[0], dots_per_inch=80))
    photograph_phone_page()
    see()


if __name__ == "__main__":
    main()
