"""One name for one option over the whole face, and documents that use nothing but the face."""

import ast
import dataclasses
import importlib
import inspect
import json
import pkgutil
import re
import warnings

import face
import pytest

import filmdose

#: The one name of what many functions take, and other names of it that nobody may use.
ONE_NAME = {
    "rng": {"seed", "random_state", "random", "generator", "random_seed"},
    "samples": {"draws", "n_samples", "num_samples", "count_samples", "size"},
    "scene_range": {"scene_log_range", "log_range", "subject_range", "luminance_range"},
    "question": {"asked", "options", "settings"},
    "priors": {"believed", "prior_set"},
    "progress": {"callback", "advance", "verbose", "show_progress"},
    "ax": {"axes", "axis_", "subplot"},
    "path": {"filename", "fname", "filepath", "file_name", "out", "output"},
    "format": {"file_format", "fmt", "film_format", "output_format"},
    "kerma_ugy": {"dose_ugy", "kerma", "dose_gy", "kermas_ugy", "doses_ugy"},
    "air_kerma_ugy": {"air_kerma", "incident_kerma_ugy", "ka_ugy"},
    "ei": {"exposure_index", "iso_ei"},
    "speed": {"iso", "asa", "film_speed"},
    "kind": {"film_kind", "film_type"},
    "shield": {"wall", "pouch_shield"},
    "beam": {"quality", "beam_quality"},
    "history": {"itinerary"},
    "peak_to_mean": {"unevenness", "uneven", "peak"},
    "aperture_area_um2": {"aperture_um2", "aperture"},
    "date": {"day", "when"},
    "thickness_mm": {"thickness", "mm"},
    "density_g_cm3": {"rho", "mass_density"},
    "log_exposure": {"log_h", "logh", "log_e"},
    "given_stops": {"stops_given", "compensation"},
}

#: Where such a word means something else: the seed that a report was made with, what a belt or an axis has.
OTHERWISE = {
    ("filmdose.present.damage.DamageReport", "seed"),
    ("filmdose.odds.unknowns.Draws", "peak"),
    ("filmdose.odds.groups.record_factor", "draws"),
    ("filmdose.tonetable.cube_text", "size"),  # entries of a table
    ("filmdose.picture.photo.Photo", "size"),  # columns and rows
    ("filmdose.picture.side_by_side.Preview", "seed"),
}

#: Options that have one type wherever they are options, and one default where they have one.
ONE_TYPE = {
    "rng": {"Random", "np.random.Generator | None"},  # the latter: grain of a simulated frame, or none
    "samples": {"int"},
    "question": {"Question | None"},
    "priors": {"Priors | None"},
    "learned": {"Learned | None"},
    "progress": {"Callable[[float], None] | None"},
    "ax": {"Axes | None"},
}


def parameters():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        functions = face.functions()
    for name, function in functions.items():
        try:
            signature = inspect.signature(function)
        except (TypeError, ValueError):
            continue
        for parameter in signature.parameters.values():
            if parameter.kind not in (parameter.VAR_KEYWORD, parameter.VAR_POSITIONAL):
                yield name, parameter


def test_one_option_has_one_name():
    banned = {word: name for name, words in ONE_NAME.items() for word in words}
    assert not set(banned) & set(ONE_NAME)
    wrong = [
        f"{name}({parameter.name}) is called {banned[parameter.name]} elsewhere"
        for name, parameter in parameters()
        if parameter.name in banned and (name, parameter.name) not in OTHERWISE
    ]
    assert wrong == []


def test_the_names_are_in_use():
    used = {parameter.name for _, parameter in parameters()}
    assert [name for name in ONE_NAME if name not in used] == []


@pytest.mark.parametrize("option", ONE_TYPE)
def test_one_option_has_one_type(option):
    found = {}
    for name, parameter in parameters():
        if parameter.name == option and parameter.default is not parameter.empty:
            found.setdefault(str(parameter.annotation), []).append(name)
    assert set(found) <= ONE_TYPE[option], found


def test_units_stand_in_the_names():
    """A number with a unit says it: no bare thickness, energy, dose, angle, time or temperature."""
    bare = {"thickness", "energy", "dose", "angle", "temperature", "kvp", "voltage", "hours_", "length", "radius"}
    wrong = [
        f"{name}({parameter.name})"
        for name, parameter in parameters()
        if parameter.name in bare and "float" in str(parameter.annotation)
    ]
    assert wrong == []


# -- notebooks and README use the face alone ---------------------------------------------------------------------------


def code_of_documents():
    """(where, Python source) of every code cell and of every Python block of the pages for users."""
    for path in sorted((face.ROOT / "notebooks").glob("*.ipynb")):
        for number, cell in enumerate(json.loads(path.read_text("utf-8"))["cells"]):
            if cell["cell_type"] == "code":
                yield f"{path.name} [{number}]", "".join(cell["source"])
    for path in [face.ROOT / "README.md", *sorted((face.ROOT / "docs").glob("*.md"))]:
        for block in re.findall(r"```python\n(.*?)```", path.read_text("utf-8"), re.DOTALL):
            yield path.name, block


#: Notebooks about the studies that lie beside them in the repository, and which run their scripts.
ABOUT_THE_STUDIES = {"predicted_and_reported.ipynb", "real_and_generic.ipynb"}


def test_documents_use_the_face_alone():
    shown = {"filmdose": filmdose} | {
        f"filmdose.{name}": importlib.import_module(f"filmdose.{name}") for name in filmdose._SUBMODULES
    }
    count = 0
    for where, source in code_of_documents():
        count += 1
        tree = ast.parse("\n".join(line for line in source.splitlines() if not line.lstrip().startswith(("%", "!"))))
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "filmdose":
                assert node.module in shown, f"{where}: from {node.module} import ..."
                public = {*getattr(shown[node.module], "__all__", ()), *filmdose._SUBMODULES}
                for alias in node.names:
                    assert alias.name in public, f"{where}: {node.module}.{alias.name}"
            elif isinstance(node, ast.Import):
                for alias in node.names:
                    assert alias.name in shown or alias.name.split(".")[0] != "filmdose", f"{where}: {alias.name}"
            elif isinstance(node, ast.Attribute):
                assert not node.attr.startswith("_") or node.attr.startswith("__"), f"{where}: {node.attr}"
        if where.split(" ")[0] not in ABOUT_THE_STUDIES:
            assert "../" not in source, where
    assert count > 80


def test_every_submodule_of_the_face_says_what_it_shows():
    for name in filmdose._SUBMODULES:
        module = importlib.import_module(f"filmdose.{name}")
        assert module.__all__, name
        for each in module.__all__:
            assert getattr(module, each) is not None
            assert not each.startswith("_")


#: Modules between history and answer.
ROOT_MODULES = ("solver", "stack", "question", "decision", "solution", "exposed", "answering", "history", "trip")

#: Rows of two or three plain things, made by position.
BY_POSITION = {"Priors", "Rise", "_Ends", "_Highlights"}


@pytest.mark.parametrize("room", ["film", "sensitometry", "radiation", "odds", ""])
def test_dataclasses_are_frozen_and_made_by_name(room):
    """What is made by position takes a value in another's place, and what can be changed is not what was computed."""
    here = importlib.import_module(f"filmdose.{room}") if room else filmdose
    names = [module.name for module in pkgutil.iter_modules(here.__path__)] if room else ROOT_MODULES
    modules = [importlib.import_module(f"{here.__name__}.{name}") for name in names]
    found = [
        each
        for module in modules
        for each in vars(module).values()
        if isinstance(each, type) and dataclasses.is_dataclass(each) and each.__module__ == module.__name__
    ]
    assert len(found) > 3
    for each in found:
        assert each.__dataclass_params__.frozen, each
        loose = [field.name for field in dataclasses.fields(each) if field.init and not field.kw_only]
        assert not loose or each.__name__ in BY_POSITION, each
