"""Tables of rolls: every row is the answer of one roll, in every container, kind, state and format."""

import itertools
import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import filmdose
from filmdose.answering import GRID_ATTRIBUTES, answer, answer_grid
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.film.generic import generic_film
from filmdose.history import Flight, History, Pass, given_dose
from filmdose.odds import propagate
from filmdose.question import Question
from filmdose.rolls import ROLL_ANSWERS, SAFE_ANSWERS, answers
from filmdose.standards import KINDS
from filmdose.sweep import sweep
from filmdose.trip import Roll, Shot, answer_roll

FORMATS = ("35mm", "120", "sheet")


def own_film(number, kind="bw-negative"):
    """An invented film that shares its matrices with no other; every other one has readings that end."""
    film = generic_film(400, kind=kind)
    rng = np.random.default_rng(number)
    records = [
        replace(
            record,
            log_sensitivity=record.log_sensitivity + np.linspace(0.0, rng.normal(0, 0.05), record.log_sensitivity.size),
            weights=record.weights * np.exp(rng.normal(0, 0.05, record.weights.size)),
        )
        for record in film.records
    ]
    ends = (-5.0, -1.5 + 0.2 * (number % 7)) if number % 2 else None
    return replace(film, records=tuple(records), name=f"invented {number}", measured_range=ends)


def assert_row(row, alone, dose=None):
    """A row says what the answer of one roll says: numbers to the rounding of matrix products."""
    for name in set(ROLL_ANSWERS) & set(GRID_ATTRIBUTES) - {"contrast_fogged"}:
        expected = getattr(alone, name)
        if isinstance(expected, str):
            assert row[name] == expected, name
        else:
            wanted = np.nan if expected is None else expected
            np.testing.assert_allclose(row[name], wanted, rtol=1e-11, atol=1e-11, err_msg=name)
    assert row["outcome"] == alone.outcome
    assert row["contrast_fogged"] == pytest.approx(alone.contrast["fogged"], rel=1e-11)
    if dose is not None:
        wanted = (dose.kerma_ugy, dose.kerma_low_ugy, dose.kerma_high_ugy)
        assert (row["dose_ugy"], row["dose_low_ugy"], row["dose_high_ugy"]) == wanted


def every_roll():
    """Every kind, state and format, generic and own, with few and many passes, one of each."""
    rolls = []
    cases = itertools.product(KINDS, ("unexposed", "exposed"), FORMATS, (0, 1, 6), (False, True))
    for number, (kind, state, form, count, own) in enumerate(cases):
        film = own_film(number, kind) if own else generic_film(200, kind=kind)
        passes = (Pass(source="cabin-ct", count=count, shield="lead=0.25"), Pass(source="cabin-xray", count=3))
        rolls.append(
            Roll(
                id=f"r{number}",
                film=film,
                history=History(passes=passes, flights=(Flight(hours=5),), format=form),
                state=state,
                shot=Shot(ei=100) if state == "exposed" and number % 2 else None,
                scene_range=1.9 if number % 3 == 0 else None,
                peak_to_mean=1.4 if number % 5 == 0 else None,
            )
        )
    return rolls


@pytest.fixture(scope="module")
def rolls():
    return every_roll()


@pytest.mark.long
def test_a_table_of_every_kind_state_and_format_is_the_answers_one_by_one(rolls):
    table = pd.DataFrame(
        {
            "film": [roll.film for roll in rolls],
            "passes": [(*roll.history.passes, *roll.history.flights) for roll in rolls],
            "format": [roll.history.format for roll in rolls],
            "state": [roll.state for roll in rolls],
            "shot_ei": [None if roll.shot is None else roll.shot.ei for roll in rolls],
            "scene_range": [roll.scene_range for roll in rolls],
            "peak_to_mean": [roll.peak_to_mean for roll in rolls],
        },
        index=[roll.id for roll in rolls],
    )
    found = answers(table)
    assert list(found.index) == [roll.id for roll in rolls]
    for roll, as_rolls in zip(rolls, answers(rolls), strict=True):
        one = answer_roll(roll, Question())
        assert_row(found.loc[roll.id], one.answer, one.dose)
        assert_row(as_rolls, one.answer, one.dose)


def test_measured_films_of_few_and_many_classes_stand_in_one_table():
    """Films that share no matrices are solved stacked, the classes of the shorter filled up."""
    own = own_film(0)
    few = tuple(
        replace(record, log_sensitivity=record.log_sensitivity[::2], weights=2.0 * record.weights[::2])
        for record in own.records
    )
    films = [own, replace(own, records=few, name="invented, of few classes"), own_film(2)]
    assert len({record.weights.size for film in films for record in film.records}) == 2
    for question in (Question(), Question(scene_range=2.8)):
        table = answers(pd.DataFrame({"film": films, "kerma_ugy": [300.0, 300.0, 300.0]}), question)
        for row, film in zip(table.to_dict("records"), films, strict=True):
            assert_row(row, answer(film, 300.0, question))


@pytest.mark.parametrize("criterion", ["shadow_snr", "fixed_density"])
def test_a_question_of_every_row(criterion):
    found = answers(
        pd.DataFrame({"speed": [100, 400, 800], "kerma_ugy": [5.0, 80.0, 800.0], "cost_under": [1.0, 4.0, None]}),
        Question(criterion=criterion, snr_target=0.9),
    )
    for row, cost in zip(found.to_dict("records"), (1.0, 4.0, 4.0), strict=True):
        alone = answer(row["speed"], row["kerma_ugy"], Question(criterion=criterion, snr_target=0.9, cost_under=cost))
        assert_row(row, alone)


def test_hundreds_of_doses_of_one_film_are_the_grid():
    doses = np.geomspace(0.1, 1e5, 300)
    found, grid = answers({"kerma_ugy": doses}, film=400), answer_grid([400], doses)
    for name in set(ROLL_ANSWERS) & set(GRID_ATTRIBUTES):
        expected = grid[name].to_numpy()[0]
        if name == "snr_given":  # a lost roll is given nothing
            expected = np.where(np.isnan(grid["given_stops"].to_numpy()[0]), np.nan, expected)
        np.testing.assert_array_equal(found[name], expected)


@pytest.mark.long
def test_what_is_safe_is_what_odds_say():
    few = every_roll()[::9]
    found = answers(few, safe=True, samples=256, rng=3)
    odds = propagate(few, samples=256, rng=3)
    for row, one in zip(found, odds.rolls, strict=True):
        expected = np.nan if one.ei_recommended is None else one.ei_recommended
        np.testing.assert_equal(row["ei_safe"], expected)
        assert row["verdict_safe"] == one.verdict
    # a table says the same of the same roll, drawn by itself
    table = pd.DataFrame({"speed": [800, 800], "cabin-ct": [2, 2]})
    got = answers(table, safe=True, samples=2048)
    roll = Roll(id="a", film=generic_film(800), history=History(passes=Pass(source="cabin-ct", count=2)))
    alone = propagate([roll], samples=2048)["a"]
    assert got["ei_safe_exact"].tolist() == [alone.ei_recommended_exact] * 2
    assert set(SAFE_ANSWERS) <= set(got.columns)


def test_what_is_safe_of_given_doses_is_what_odds_say():
    table = {"speed": 400.0, "kerma_ugy": [0.0, 20.0, 60.0, 60.0, np.nan]}
    found = answers(table, safe=True, samples=256)
    passes = [given_dose(kerma, f"{kerma}") for kerma in (0.0, 20.0, 60.0)]
    rolls = [Roll(id=str(i), film=generic_film(400), history=History(passes=one)) for i, one in enumerate(passes)]
    odds = propagate(rolls, samples=256)
    expected = [row.ei_recommended_exact for row in odds.rolls]
    np.testing.assert_array_equal(found["ei_safe_exact"], [*expected, expected[-1], np.nan])
    assert found["verdict_safe"].tolist() == [*(row.verdict for row in odds.rolls), odds.rolls[-1].verdict, "unknown"]


def test_with_everything_known_safe_and_typical_come_from_one_rule():
    found = answers({"speed": [400.0], "kerma_ugy": [60.0]}, safe=True, samples=4096)
    typical, safe = found["given_stops"][0], np.log2(400.0 / found["ei_safe_exact"][0])
    assert abs(safe - typical) < 0.6  # film and development stay unknown where the dose is not


# -- containers ----------------------------------------------------------------------------------------------------


def test_a_frame_keeps_index_columns_dtypes_and_attributes():
    index = pd.MultiIndex.from_tuples([("trip", 1), ("trip", 2)], names=["where", "n"])
    table = pd.DataFrame({"speed": [400, 800], "cabin_ct": [1, 2], "note": ["a", "b"]}, index=index)
    table.attrs["made"] = "here"
    before = table.copy()
    found = answers(table)
    assert found.index.equals(index)
    pd.testing.assert_frame_equal(found[table.columns], table)
    pd.testing.assert_frame_equal(table, before)
    assert found.attrs == {"made": "here"}
    pd.testing.assert_frame_equal(answers(found.drop(columns=list(ROLL_ANSWERS))), found)


def test_a_series_of_doses_gives_a_frame_and_a_dictionary_a_dictionary():
    doses = pd.Series(["0.4 mGy", "5 mR", "0"], index=list("xyz"), name="dose")
    found = answers(doses, film=400)
    assert list(found.index) == ["x", "y", "z"]
    assert found["dose_ugy"].tolist() == pytest.approx([400.0, 43.8213, 0.0])
    made = answers({"speed": np.array([[100.0], [400.0]]), "kerma_ugy": [5.0, 50.0]})
    assert made["ei"].shape == (2, 2)
    assert made["ei"][1, 1] == answer(400, 50.0).ei


def test_a_dataset_keeps_dims_coordinates_and_attributes_and_says_what_it_is():
    table = xr.Dataset(
        {"cabin_ct": ("roll", [0, 1, 4]), "speed": ("stock", [100.0, 800.0])},
        coords={"roll": ["a", "b", "c"], "stock": [1, 2]},
        attrs={"history": "by hand", "owner": "invented"},
    )
    found = answers(table, kind="colour-negative")
    assert dict(found["ei"].sizes) == {"roll": 3, "stock": 2}
    assert found["roll"].to_numpy().tolist() == ["a", "b", "c"]
    assert found.attrs["owner"] == "invented"
    assert found.attrs["history"].splitlines()[0] == "by hand"
    assert filmdose.__version__ in found.attrs["history"]
    for name in ROLL_ANSWERS:
        assert found[name].attrs["long_name"]
    film = generic_film(800, kind="colour-negative")
    assert_row(
        {name: found[name].sel(roll="c", stock=2).item() for name in ROLL_ANSWERS},
        answer(film, found["dose_ugy"].sel(roll="c", stock=2).item()),
    )
    assert "dose" not in found["ei"].attrs["long_name"]


@pytest.mark.long
def test_an_array_of_doses_in_milligray_is_converted_and_a_lazy_one_stays_lazy():
    array = xr.DataArray([[0.0, 0.1], [0.4, np.nan]], dims=("x", "y"), attrs={"units": "mGy"}, name="dose")
    found = answers(array, film=400)
    np.testing.assert_allclose(found["dose_ugy"], [[0.0, 100.0], [400.0, np.nan]])
    lazy = answers(array.chunk({"x": 1}), film=400)
    assert lazy["ei"].chunks is not None
    for name, values in lazy.compute().data_vars.items():
        if values.dtype.kind == "f":
            np.testing.assert_allclose(values, found[name], rtol=1e-11, atol=1e-11)
        else:
            np.testing.assert_array_equal(values, found[name])
    assert lazy.attrs == found.attrs


def test_what_is_missing_is_not_known_and_no_pass_is_nought():
    table = pd.DataFrame(
        {"speed": [400.0, np.nan, 400.0, 400.0], "cabin-ct": [1, 1, None, 0], "kind": [None, None, "slide", "slide"]}
    )
    found = answers(table)
    assert found["status"].tolist()[1:3] == ["unknown", "unknown"]
    assert found["verdict"].tolist()[1:3] == ["unknown", "unknown"]
    assert found["ei"].isna().tolist() == [False, True, True, False]
    assert found["dose_ugy"].isna().tolist() == [False, True, True, False]
    assert found["outcome"].tolist()[3] == "as_marked"
    assert len(answers(table.iloc[:0])) == 0


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ({"cabin-ct": -1}, "row 'bad', cabin-ct: got -1"),
        ({"cabin-ct": 0.5}, "row 'bad', cabin-ct: got 0.5"),
        ({"speed": 5e9}, "row 'bad', speed: got 5"),
        ({"kind": "wet plate"}, "row 'bad', kind: got 'wet plate'"),
        ({"state": "lost"}, "row 'bad', state: got 'lost'"),
        ({"format": "110"}, "row 'bad', format: got '110'"),
        ({"shield": "led=1"}, "row 'bad'.*led"),
        ({"scene_range": 9.0}, "row 'bad', scene_range: got 9"),
        ({"film": "my film"}, "row 'bad', film: got 'my film'"),
        ({"passes": "cabin-tc=2"}, "row 'bad'.*cabin-tc"),
        ({"passes": [3]}, "row 'bad', passes: got 3"),
    ],
)
def test_an_error_names_its_row_and_its_column(row, says):
    good = {"speed": 400, "cabin-ct": 1}
    table = pd.DataFrame([good, {**good, **row}], index=["good", "bad"])
    with pytest.raises((ArgumentError, UnknownNameError), match=says):
        answers(table)


def test_doses_that_cannot_be_are_named_with_their_row():
    for value in (-1.0, np.inf, "3 kg", "much"):
        table = pd.DataFrame({"speed": 400, "kerma_ugy": pd.Series([1.0, value], index=["a", "b"], dtype=object)})
        with pytest.raises(ArgumentError, match="row 'b', kerma_ugy"):
            answers(table)


@pytest.mark.parametrize(
    ("table", "fields", "says"),
    [
        ({"speed": [400], "cabin_ctt": [1]}, {}, "Did you mean cabin-ct"),
        ({"speed": [400]}, {}, "a dose"),
        ({"kerma_ugy": [4.0]}, {}, "a film or a speed"),
        ({"speed": [400], "kerma_ugy": [4.0], "cabin-ct": [1]}, {}, "passes or kerma_ugy"),
        ({"speed": [400], "kerma_ugy": [4.0]}, {"shield": "lead=1"}, "shield"),
        ({"speed": [400], "cabin-ct": [1]}, {"speed": 100}, "a field once"),
        ({"speed": [400], "cabin-ct": [1]}, {"colour": 100}, "field: got 'colour'"),
        ({"speed": [400, 100, 50], "cabin-ct": [1, 2]}, {}, "broadcast"),
    ],
)
def test_a_table_that_cannot_be_is_refused(table, fields, says):
    with pytest.raises((ArgumentError, UnknownNameError), match=says):
        answers(table, **fields)
    with pytest.raises(ArgumentError, match="rolls: got 'int'"):
        answers(3)


# -- what a Dataset says of itself ------------------------------------------------------------------------------------


def datasets():
    return {
        "answers": answers(xr.Dataset({"cabin_ct": ("roll", [0, 4])}), speed=400),
        "sweep": sweep(
            source=["cabin-ct", "cabin-xray"],
            format=["35mm", "120"],
            shield_material=["lead", "tungsten"],
            shield_thickness_mm=[0.0, 0.25],
            kind=["bw-negative", "colour-reversal"],
            answers=("ei", "fog_density", "verdict", "status"),
        ),
        "grid": answer_grid([400, generic_film(400, kind="colour-negative")], [0.0, 50.0]),
    }


DATASETS = datasets()


@pytest.mark.parametrize("name", DATASETS)
def test_datasets_follow_the_conventions(name):
    data = DATASETS[name]
    assert data.attrs["Conventions"].startswith("CF-1.")
    for words in ("history", "source", "source_film", "source_beam", "filmdose_version", "title"):
        assert data.attrs[words]
    for variable, array in data.variables.items():
        if variable not in ("cabin_ct", "roll"):  # the caller's own
            assert array.attrs["long_name"], variable
    flags = data["status_flag"]
    meanings = flags.attrs["flag_meanings"].split()
    assert flags.attrs["flag_values"].dtype == flags.dtype == np.int8
    assert [meanings[code] for code in flags.to_numpy().ravel()] == data["status"].to_numpy().ravel().tolist()


@pytest.mark.parametrize("name", DATASETS)
def test_a_file_brings_everything_back(name, tmp_path):
    data = DATASETS[name]
    data.to_netcdf(tmp_path / "data.nc", engine="scipy")
    with xr.open_dataset(tmp_path / "data.nc", engine="scipy") as back:
        assert back.load().identical(data)


@pytest.mark.parametrize("name", DATASETS)
def test_a_zarr_store_brings_everything_back(name, tmp_path):
    pytest.importorskip("zarr", reason="zarr is in the test extra")
    data = DATASETS[name]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of what the store's format may become
        data.to_zarr(tmp_path / "data.zarr", zarr_format=2)
        back = xr.open_zarr(tmp_path / "data.zarr").load()
    assert back.identical(data)


@pytest.mark.parametrize("name", DATASETS)
def test_units_are_those_of_a_unit_package(name):
    pytest.importorskip("pint_xarray", reason="pint-xarray is in the test extra")
    data = DATASETS[name].pint.quantify()
    assert str(data["fog_density"].pint.units) == "dimensionless"
    if name == "answers":
        assert data["dose_ugy"].pint.to("mGy").item(1) > 0.0


def test_a_sweep_over_sources_formats_and_shields_is_the_table():
    data = DATASETS["sweep"]
    for place in itertools.product(*(data[dim].to_numpy().tolist() for dim in data["ei"].dims)):
        at = dict(zip(data["ei"].dims, place, strict=True))
        wall = at["shield_thickness_mm"]
        (row,) = answers(
            [
                {
                    "speed": 400,
                    "kind": at["kind"],
                    "format": at["format"],
                    "shield": f"{at['shield_material']}={wall}" if wall else None,
                    at["source"]: 1,
                }
            ]
        )
        cell = data.sel(at)
        # the difference of two sums of about 2, each rounded
        np.testing.assert_allclose(cell["fog_density"].item(), row["fog_density"], rtol=1e-11, atol=1e-14)
        np.testing.assert_equal(cell["ei"].item(), row["ei"])
        assert (cell["verdict"].item(), cell["status"].item()) == (row["verdict"], row["status"])


def test_a_sweep_takes_a_source_or_a_kerma():
    with pytest.raises(ArgumentError, match="kerma_ugy"):
        sweep(source="cabin-ct", kerma_ugy=3.0)
    with pytest.raises(ArgumentError, match="format"):
        sweep(kerma_ugy=3.0, format="120")
    with pytest.raises(UnknownNameError, match="cabin-tc"):
        sweep(source="cabin-tc")
    with pytest.raises(UnknownNameError, match="110"):
        sweep(source="cabin-ct", format=["110"], chunks=1)
