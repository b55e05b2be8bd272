"""Throw changed files at the project's readers until one of them fails with an error that is not the project's own.

    pip install atheris
    python reference/fuzz.py READER SECONDS [FOLDER]

Coverage-guided: inputs that reach new code are kept in FOLDER (a temporary one when left out) and changed further.
A reader may refuse a file with a ``FilmdoseError``; anything else stops the run and leaves the input beside it.
What was found so stands in tests/errors, made small.  READER is one of the names in ``READERS``.
"""

from __future__ import annotations

import io
import sys
import tempfile
import warnings
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import atheris

ROOT = Path(__file__).parents[1]

with atheris.instrument_imports(include=["filmdose"]):
    from filmdose.development.restrainers import read_strips
    from filmdose.errors import FilmdoseError
    from filmdose.film.filmfile import film_text, read_film
    from filmdose.film.generic import generic_film
    from filmdose.film.noisefit import read_granularity
    from filmdose.film.readings import read_steps
    from filmdose.odds.learned import read_learned
    from filmdose.odds.priors import read_priors
    from filmdose.picture.photo import read_photo
    from filmdose.present.photos import read_picture
    from filmdose.present.text import CARD_WORDS, read_words
    from filmdose.radiation import Beam, Shield
    from filmdose.radiation.sensitivity import read_sensitivity
    from filmdose.scan import read_profile, read_scan
    from filmdose.tonetable import parse_encoding
    from filmdose.tripfile import read_readings, read_trip


def _trips() -> list[bytes]:
    return [path.read_bytes() for path in (ROOT / "notebooks").glob("*.toml")]


def _films() -> list[bytes]:
    return [film_text(generic_film(400, kind=kind)).encode() for kind in ("bw-negative", "colour-reversal")]


def _steps() -> list[bytes]:
    return [
        b"log_exposure,density\n" + b"".join(b"%.2f,%.3f\n" % (-3 + 0.15 * n, 0.2 + 0.1 * n) for n in range(21)),
        b"step;red;green;blue\n1;0,2;0,3;0,4\n2;0,3;0,4;0,5\n3;0,5;0,6;0,7\n",
    ]


def _tables() -> list[bytes]:
    head = b'CGATS.17\nORIGINATOR "x"\nNUMBER_OF_FIELDS 2\nBEGIN_DATA_FORMAT\nSAMPLE_ID D_VIS\nEND_DATA_FORMAT\n'
    return [head + b"NUMBER_OF_SETS 3\nBEGIN_DATA\n1 0.10\n2 0.35\n3 0.90\nEND_DATA\n"]


def _pictures() -> list[bytes]:
    import numpy as np
    from PIL import Image

    found = []
    for format, values in (("TIFF", np.uint16), ("PNG", np.uint8), ("JPEG", np.uint8)):
        stream = io.BytesIO()
        Image.fromarray(np.arange(64 * 48).reshape(48, 64).astype(values)).save(stream, format=format)
        found.append(stream.getvalue())
    return found


def _learnt() -> list[bytes]:
    from filmdose.odds import learn, save_learned, trip_model

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "learnt.json"
        save_learned(learn(trip_model(read_trip(ROOT / "notebooks" / "trip_measured.toml")), samples=256), path)
        return [path.read_bytes()]


def _words() -> list[bytes]:
    return [(ROOT / "filmdose" / "data" / CARD_WORDS).read_bytes()]


def _experiment() -> list[bytes]:
    rows = ("0", 0.250), ('"5 mR"', 0.285), ('"0.1 mGy"', 0.302)
    pieces = "".join(f"[[exposure]]\ndose = {dose}\ndensity = {density}\n" for dose, density in rows)
    return [f'film = "invented"\nspeed = 400\nbeam = "140kVp, al=3"\nnote = "n"\n{pieces}'.encode()]


def _option(path: Path) -> None:
    """Texts that options and files of the project hold: an encoding, a beam, a wall."""
    text = path.read_bytes().decode("utf-8", "replace")
    for read in (parse_encoding, Beam.parse, Shield.parse):
        with suppress(FilmdoseError):
            read(text)


#: Name, ending, first inputs, and what reads the file.
READERS: dict[str, tuple[str, Callable[[], list[bytes]], Callable[[Path], object]]] = {
    "trip": (".toml", _trips, read_trip),
    "film": (".toml", _films, read_film),
    "readings": (".toml", _trips, read_readings),
    "priors": (".toml", lambda: [(ROOT / "filmdose" / "data" / "priors.toml").read_bytes()], read_priors),
    "words": (".toml", _words, lambda path: read_words(CARD_WORDS, path)),
    "learnt": (".json", _learnt, read_learned),
    "steps": (".csv", _steps, read_steps),
    "profile": (".csv", lambda: [b"position_mm,density\n1,0.2\n2,0.3\n3,0.2\n"], read_profile),
    "cgats": (".txt", _tables, read_steps),
    "scan": (".tif", _pictures, lambda path: read_scan(path).overview()),
    "experiment": (".toml", _experiment, read_sensitivity),
    "grain": (".csv", lambda: [b"density,sigma\n0.3,0.01\n1.0,0.02\n"], read_granularity),
    "strips": (
        ".csv",
        lambda: [b"restrained,base_plus_fog,log_speed_point,contrast\nno,0.4,-2.6,0.6\nyes,0.3,-2.5,0.6\n"],
        read_strips,
    ),
    "option": (".txt", lambda: [b"gamma=2.2", b"density=4", b"140kVp, al=3", b"lead=0.25, steel=0.5"], _option),
    "photo": (".tif", _pictures, lambda path: read_photo(path)),
    "picture": (".jpg", _pictures, lambda path: read_picture(path, "words")),
}


def main() -> None:
    """Run one reader for some seconds."""
    name, seconds = sys.argv[1], int(sys.argv[2])
    ending, seeds, read = READERS[name]
    folder = Path(sys.argv[3]) if len(sys.argv) > 3 else Path(tempfile.mkdtemp(prefix=f"fuzz_{name}_"))
    folder.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(seeds()):
        (folder / f"seed_{number}").write_bytes(seed)
    file = Path(tempfile.mkdtemp()) / f"input{ending}"
    warnings.simplefilter("ignore")

    def one(data: bytes) -> None:
        file.write_bytes(data)
        with suppress(FilmdoseError):
            read(file)

    sys.path.insert(0, str(ROOT))
    options = [
        f"-max_total_time={seconds}",
        "-max_len=20000",
        "-timeout=20",
        "-rss_limit_mb=4000",
        "-print_final_stats=1",
    ]
    atheris.Setup([sys.argv[0], *options, f"-artifact_prefix={folder}/found_", str(folder)], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
