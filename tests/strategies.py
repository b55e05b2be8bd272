"""Hypothesis strategies that several rooms share: doses, films, histories, trips, experiments, files."""

from __future__ import annotations

import datetime
import json
import math
from typing import Any

import numpy as np
from hypothesis import strategies as st

from filmdose.film.emulsion import Emulsion
from filmdose.film.generic import generic_film, generic_speed_range
from filmdose.film.model import Film
from filmdose.history import Flight, History, Pass, Storage
from filmdose.question import Question
from filmdose.radiation import Shield, source_names
from filmdose.solver import CRITERIA
from filmdose.standards import KINDS, RECORD_NAMES
from filmdose.trip import FOG_PLACES, INSPECTIONS, STATES, DoseReading, FogReading, Leg, Roll, Trip

#: Doses are spread over their logarithm, from nothing anybody would see to more than any scanner gives [uGy].
DOSES = st.floats(-2.0, 5.0).map(lambda exponent: 10.0**exponent)

QUESTIONS = st.builds(
    Question,
    criterion=st.sampled_from(list(CRITERIA)),
    snr_target=st.floats(0.5, 1.0),
    scene_range=st.floats(1.2, 3.0),
    cost_under=st.floats(1.0, 8.0),
)


# -- films ------------------------------------------------------------------------------------------------------------


@st.composite
def generic_films(draw):
    """Any kind, any speed of its range (over the logarithm), any exponent of hits."""
    kind = draw(st.sampled_from(list(KINDS)))
    low, high = generic_speed_range(kind)
    speed = min(max(2.0 ** draw(st.floats(math.log2(low), math.log2(high))), low), high)
    return generic_film(speed, kind=kind, hit_exponent=draw(st.floats(0.4, 1.1)))


@st.composite
def strange_films(draw):
    """Whatever a film file may hold: any grains, any name."""
    kind = draw(st.sampled_from(sorted(KINDS)))

    def emulsion():
        count = draw(st.integers(1, 8))
        z = np.cumsum(draw(st.lists(st.floats(1e-3, 2), min_size=count, max_size=count)))
        weights = draw(st.lists(st.floats(1e-9, 3), min_size=count, max_size=count))
        return Emulsion(
            log_sensitivity=z,
            weights=np.array(weights),
            base_density=draw(st.floats(0, 1)),
            native_fog=draw(st.floats(0, 0.5)),
            quanta=draw(st.floats(1, 20)),
            hit_exponent=draw(st.floats(0, 2)),
            hits_per_ugy=draw(st.floats(0, 1)),
            rms_granularity=draw(st.floats(0.1, 50)),
            positive=kind.endswith("reversal"),
        )

    return Film(
        kind=kind,
        speed=draw(st.floats(1, 1e5)),
        records=tuple(emulsion() for _ in RECORD_NAMES[kind]),
        name=draw(st.text(max_size=20).filter(lambda t: not any(0xD800 <= ord(c) < 0xE000 for c in t))),
        origin="measured",
    )


@st.composite
def grain_records(draw):
    """Records of random grain classes, with the toe on the left and enough density for a speed point."""
    size = draw(st.integers(3, 12))
    z = np.sort(draw(st.lists(st.floats(0.5, 3.5), min_size=size, max_size=size, unique=True)))
    z = 0.5 + np.cumsum(np.maximum(np.diff(z, prepend=z[0] - 0.2), 0.05))
    return Emulsion(
        log_sensitivity=z,
        weights=draw(st.lists(st.floats(0.3, 0.8), min_size=size, max_size=size)),
        base_density=draw(st.floats(0.0, 0.4)),
        native_fog=draw(st.floats(0.0, 0.1)),
        quanta=draw(st.integers(1, 8)),
        hit_exponent=draw(st.floats(0.5, 1.1)),
        hits_per_ugy=6e-4,
        rms_granularity=12.0,
    )


# -- histories --------------------------------------------------------------------------------------------------------

SCANNERS = st.sampled_from([name for name in source_names() if name != "mail-sanitisation"])
MATERIALS = st.sampled_from(["lead", "tungsten", "tin", "bismuth", "barium-sulphate-polymer", "copper"])
SHIELDS = st.none() | st.builds(lambda m, t: Shield(material=m, thickness_mm=t), MATERIALS, st.floats(0, 3))
PASSES = st.builds(
    lambda s, c, w, m: Pass(source=s, count=c, shield=w, multiplier=m),
    SCANNERS,
    st.integers(0, 12),
    SHIELDS,
    st.floats(1, 100),
)
FLIGHTS = st.builds(
    lambda h, a, b: Flight(hours=h, altitude_ft=a, latitude=b),
    st.floats(0, 40),
    st.floats(0, 39000),
    st.sampled_from(["equatorial", "middle", "polar"]),
)
SHELVES = st.builds(lambda d: Storage(days=d), st.floats(0, 4000))
PARTS = st.lists(PASSES | FLIGHTS | SHELVES, max_size=6)


# -- trips, as rows of a file and as objects --------------------------------------------------------------------------

#: Anything that a line of TOML can hold in quotes.
TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=20)
DATES = st.dates(datetime.date(2000, 1, 1), datetime.date(2100, 1, 1))


def _some(required: dict[str, Any], optional: dict[str, Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(required, optional=optional)


@st.composite
def trip_rows(draw, most_rolls: int = 4):
    """Tables of a trip file: {"roll": rows, "pass": rows, ...}, everything in it allowed."""
    names = draw(st.lists(TEXTS.filter(bool), min_size=1, max_size=most_rolls, unique=True))
    whose = {"rolls": st.lists(st.sampled_from(names), min_size=1, max_size=len(names), unique=True)}
    story = {"date": DATES, "place": TEXTS, "scanner": TEXTS, "note": TEXTS}
    shield = {"shield": st.builds(lambda m, t: f"{m}={t:.4f}", MATERIALS, st.floats(0.0, 2.0))}
    rolls = []
    for name in names:
        kind = draw(st.sampled_from(list(KINDS)))
        low, high = generic_speed_range(kind)
        row = {"id": name, "kind": kind, "speed": draw(st.floats(low, high))}
        optional = {
            "state": st.sampled_from(STATES),
            "importance": st.integers(1, 5),
            "scene_range": st.floats(0.3, 4.0),
            "peak_to_mean": st.floats(1.0, 3.0),
            "note": TEXTS,
        }
        rolls.append(row | draw(_some({}, optional)))
    passes = _some(
        {"source": SCANNERS},
        whose | story | shield | {"count": st.integers(0, 6), "multiplier": st.floats(1.0, 3.0)},
    )
    flights = _some(
        {"hours": st.floats(0, 40)},
        whose
        | {"altitude_ft": st.floats(0, 39000), "latitude": st.sampled_from(["equatorial", "polar"]), "note": TEXTS},
    )
    shelves = _some({"days": st.floats(0, 4000)}, whose | {"note": TEXTS})
    legs = _some(
        {"source": SCANNERS},
        whose | story | shield | {"count": st.integers(0, 4), "inspect": st.sampled_from(INSPECTIONS)},
    )
    rows = {
        "roll": rolls,
        "pass": draw(st.lists(passes, max_size=3)),
        "flight": draw(st.lists(flights, max_size=2)),
        "storage": draw(st.lists(shelves, max_size=2)),
        "leg": draw(st.lists(legs, max_size=2)),
    }
    return rows


@st.composite
def readings(draw, roll: str):
    """A reading of a roll that does not say more than a densitometer or a badge could."""
    if draw(st.booleans()):
        quantity = draw(st.sampled_from(["air-kerma", "hp10-phantom"]))
        unit = "uGy" if quantity == "air-kerma" else "uSv"
        return {"roll": roll, "kind": "badge", "value": f"{draw(DOSES):.6g} {unit}", "quantity": quantity}
    row = {"roll": roll, "base_plus_fog": draw(st.floats(0.0, 4.0)), "control": draw(st.floats(0.0, 4.0))}
    optional = {"error": st.floats(0.002, 0.2), "where": st.sampled_from(FOG_PLACES), "date": DATES, "note": TEXTS}
    return row | draw(_some({}, optional))


@st.composite
def experiment_rows(draw):
    """Tables of a trip that was measured: anything that can be read, likely or not."""
    rows = draw(trip_rows(most_rolls=2))
    rows["leg"] = []
    names = [row["id"] for row in rows["roll"]]
    rows["reading"] = [draw(readings(draw(st.sampled_from(names)))) for _ in range(draw(st.integers(1, 3)))]
    return rows


def trip_text(rows: dict[str, list[dict[str, Any]]]) -> str:
    """The rows as a trip file."""

    def value(given: Any) -> str:
        if isinstance(given, datetime.date):
            return given.isoformat()
        if isinstance(given, float):
            return repr(given)
        return json.dumps(given, ensure_ascii=False)  # a text of JSON without control characters is one of TOML

    lines = []
    for table, entries in rows.items():
        for row in entries:
            lines += [f"[[{table}]]", *(f"{key} = {value(given)}" for key, given in row.items()), ""]
    return "\n".join(lines)


def trip_of(rows: dict[str, list[dict[str, Any]]]) -> Trip:
    """The same trip from the parts of the library, without a file."""

    def part(table: str, name: str, make: Any) -> tuple[Any, ...]:
        return tuple(
            make(**{key: given for key, given in row.items() if key != "rolls"})
            for row in rows[table]
            if name in row.get("rolls", [name])
        )

    def reading(row: dict[str, Any]) -> FogReading | DoseReading:
        given = {key: value for key, value in row.items() if key != "kind"}
        return DoseReading(**given) if row.get("kind") == "badge" else FogReading(**given)

    rolls = []
    for row in rows["roll"]:
        name = row["id"]
        history = History(
            passes=part("pass", name, Pass),
            flights=part("flight", name, Flight),
            storage=part("storage", name, Storage),
        )
        own = {key: given for key, given in row.items() if key not in ("kind", "speed")}
        read = tuple(reading(each) for each in rows.get("reading", []) if each["roll"] == name)
        rolls.append(Roll(**own, film=generic_film(row["speed"], kind=row["kind"]), history=history, readings=read))
    every = [roll.id for roll in rolls]
    return Trip(rolls=rolls, legs=[Leg(**({"rolls": every} | row)) for row in rows["leg"]])
