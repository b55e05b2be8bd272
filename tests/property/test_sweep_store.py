"""A sweep that keeps its blocks: the same bits, whatever happens to it, and nothing computed twice."""

import io
import os
import signal
import subprocess
import sys
import warnings
import zipfile
from pathlib import Path

import numpy as np
import pytest
from faults import as_everybody, python, room_for

import filmdose.sweep as module
from filmdose import blockstore
from filmdose.criteria import Criterion
from filmdose.errors import ArgumentError, OutputFileError, StoreWarning
from filmdose.film.generic import generic_film
from filmdose.radiation import Material, Source, register_material, register_source
from filmdose.sweep import SWEEP_ANSWERS, sweep

INPUTS = {
    "speed": [100.0, 400.0, 800.0, 1600.0],
    "snr_target": [0.8, 1.0],
    "kerma_ugy": np.geomspace(1.0, 3e4, 7),
}
CHUNKS = {"speed": 1, "kerma_ugy": 4}

#: The same in a process of its own: argument 1 is the store, 2 the chunks, 3 how to be interrupted.
SCRIPT = """
import os, signal, sys, warnings
import numpy as np
import filmdose.sweep as module
INPUTS = {"speed": [100.0, 400.0, 800.0, 1600.0], "snr_target": [0.8, 1.0], "kerma_ugy": np.geomspace(1.0, 3e4, 7)}
module._BLOCK_CELLS = 1
folder, chunks, how = sys.argv[1], eval(sys.argv[2]), sys.argv[3]
if how == "killed":
    right, solved = module.grid_row, []
    def row(*given):
        if len(solved) == 5:
            os.kill(os.getpid(), signal.SIGKILL)
        solved.append(1)
        return right(*given)
    module.grid_row = row
lazy = module.sweep(**INPUTS, chunks=chunks, answers=module.SWEEP_ANSWERS, store=folder)
if how == "processes":
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor
    def row(*given):
        os.kill(os.getpid(), signal.SIGKILL)
    module.grid_row = row
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("fork")) as pool:
        lazy.compute(scheduler="processes", pool=pool)
elif chunks:
    lazy.compute(scheduler="synchronous")
"""


@pytest.fixture
def small(monkeypatch):
    """One row of an eager sweep is a block."""
    monkeypatch.setattr(module, "_BLOCK_CELLS", 1)


@pytest.fixture
def solved(monkeypatch):
    """Counts what is solved."""
    rows, right = [], module.grid_row

    def counted(*given):
        rows.append(1)
        return right(*given)

    monkeypatch.setattr(module, "grid_row", counted)
    return rows


def run(folder, chunks=None, **changes):
    found = sweep(**{**INPUTS, **changes}, chunks=chunks, answers=SWEEP_ANSWERS, store=folder)
    return found if chunks is None else found.compute(scheduler="synchronous")


@pytest.mark.long
@pytest.mark.parametrize("chunks", [None, CHUNKS])
def test_killed_half_way_and_gone_on_with(small, solved, tmp_path, chunks):
    folder = tmp_path / "store"
    done = python(SCRIPT, folder, chunks, "killed")
    assert done.returncode == -signal.SIGKILL
    kept = len(list(folder.glob("*.npz")))
    rows_a_block, blocks = (1, 8) if chunks is None else (2, 8)
    assert kept == 5 // rows_a_block  # what was whole when it was killed
    resumed = run(folder, chunks)
    assert len(solved) == (blocks - kept) * rows_a_block
    whole = run(None, chunks)
    assert resumed.identical(whole)
    solved.clear()
    assert run(folder, chunks).identical(whole)
    assert not solved


@pytest.mark.long
def test_a_worker_that_dies_is_an_error_and_its_work_is_kept(solved, tmp_path):
    folder = tmp_path / "store"
    run(folder, CHUNKS)
    for file in sorted(folder.glob("*.npz"))[::2]:
        file.unlink()
    done = python(SCRIPT, folder, CHUNKS, "processes")
    assert done.returncode == 1
    assert "BrokenProcessPool" in done.stderr  # and did not hang
    solved.clear()
    assert run(folder, CHUNKS).identical(run(None, CHUNKS))
    assert len(solved) == 8 + 16


@pytest.mark.long
def test_cuts_lie_side_by_side_and_stored_is_computed(tmp_path):
    cuts = (None, CHUNKS, {"speed": 3}, 2, {"kerma_ugy": 2, "snr_target": 1})
    for _ in range(2):
        for chunks in cuts:
            assert run(tmp_path, chunks).identical(run(None, chunks))


@pytest.mark.long
def test_what_goes_into_a_block_names_it(small, solved, tmp_path):
    film = generic_film(400)
    register_material(Material(name="foil", density_g_cm3=9.0, mass_fractions=(("W", 0.7), ("Cu", 0.3))))
    changes = (
        {},
        {"kerma_ugy": np.nextafter(INPUTS["kerma_ugy"], np.inf)},
        {"scene_range": 2.0},
        {"criterion": "fixed_density"},
        {"kind": "colour-negative"},
        {"hit_exponent": 0.7},
        {"beam": "120kVp, al=3", "shield_thickness_mm": 0.1},
        {"shield_thickness_mm": 0.1},
        {"shield_thickness_mm": 0.1, "shield_material": "foil"},
    )
    for change in changes:
        solved.clear()
        assert run(tmp_path, **change).identical(run(None, **change))
        assert len(solved) == 16, change  # once for the store and once without
    register_material(Material(name="foil", density_g_cm3=5.0, mass_fractions=(("W", 0.7), ("Cu", 0.3))))
    assert run(tmp_path, **changes[-1]).identical(run(None, **changes[-1]))  # another foil of the same name
    for source in (3.0, 5.0):
        own = register_source(Source(name="own", air_kerma_typical_ugy=source, evidence="measured"))
        given = {"film": film, "source": ["own"], "passes": [1.0, 2.0]}
        assert sweep(**given, store=tmp_path).identical(sweep(**given))
        assert own.air_kerma_typical_ugy == source


def test_the_order_of_answers_does_not_matter_and_others_are_others(solved, tmp_path):
    inputs = {"kerma_ugy": [1.0, 50.0], "store": tmp_path}
    first = sweep(**inputs, answers=("ei", "status"))
    assert sweep(**inputs, answers=("status", "ei"))["ei"].identical(first["ei"])
    assert len(solved) == 1
    sweep(**inputs, answers=("ei",))
    assert len(solved) == 2


def test_another_version_or_other_data_are_other_blocks(solved, tmp_path, monkeypatch):
    sweep(kerma_ugy=[1.0], store=tmp_path)
    made = blockstore._made_with()
    for place in range(len(made)):
        other = (*made[:place], "other", *made[place + 1 :])
        monkeypatch.setattr(blockstore, "_made_with", lambda other=other: other)
        sweep(kerma_ugy=[1.0], store=tmp_path)
    assert len(solved) == len(list(tmp_path.iterdir())) == 1 + len(made)


def test_the_fingerprint_holds_code_and_data():
    from importlib import resources

    found = dict(blockstore._own_files(resources.files("filmdose"), ""))
    assert {"solver.py", "film/model.py", "data/films.toml", "data/spectra/tungsten_lines.csv"} <= found.keys()
    assert not any("__pycache__" in name or "ipynb" in name for name in found)


class Planted:
    """Leaves a mark when it is unpickled."""

    def __init__(self, mark):
        self.mark = mark

    def __reduce__(self):
        return Path.touch, (Path(self.mark),)


def pickled(file, other, mark):
    with zipfile.ZipFile(file) as archive:
        names = [name.removesuffix(".npy") for name in archive.namelist()]
    planted = np.empty((4, 2, 7), dtype=object)
    planted[...] = Planted(str(mark))
    np.savez(file, allow_pickle=True, **dict.fromkeys(names, planted))


def bomb(file, other, mark):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive, zipfile.ZipFile(file) as old:
        for name in old.namelist():
            archive.writestr(name, old.read(name) + bytes(30_000_000))
    file.write_bytes(stream.getvalue()[:1_000_000])


def other_shape(file, other, mark):
    with np.load(file) as old:
        np.savez(file, **{name: array if name == "key" else array.ravel() for name, array in old.items()})


def bit(file, other, mark):
    content = bytearray(file.read_bytes())
    content[len(content) // 3] ^= 1
    file.write_bytes(content)


DAMAGE = {
    "half": lambda file, other, mark: file.write_bytes(file.read_bytes()[: file.stat().st_size // 2]),
    "empty": lambda file, other, mark: file.write_bytes(b""),
    "one bit": bit,
    "of other inputs": lambda file, other, mark: file.write_bytes(other.read_bytes()),
    "no block": lambda file, other, mark: file.write_text("hello"),
    "large": lambda file, other, mark: file.write_bytes(bytes(3_000_000)),
    "pipe": lambda file, other, mark: (file.unlink(), os.mkfifo(file)),
    "other shape": other_shape,
    "pickled": pickled,
    "bomb": bomb,
}


@pytest.mark.few(1)
@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_or_foreign_block_is_computed_again_and_said(solved, tmp_path, damage):
    folder, mark = tmp_path / "store", tmp_path / "mark"
    whole = run(folder, CHUNKS)
    first, second, *_ = sorted(folder.glob("*.npz"))
    inode = first.stat().st_ino
    DAMAGE[damage](first, second, mark)
    solved.clear()
    if damage == "pipe":  # what is no file is never replaced: it is refused at once, and nobody waits for it
        with pytest.raises(OutputFileError, match="it is no regular file"):
            run(folder, CHUNKS)
        return
    with pytest.warns(StoreWarning, match=rf"{first.name}: cannot be used \(.+\); its block is computed again") as said:
        assert run(folder, CHUNKS).identical(whole)
    assert len(said) == 1
    assert len(solved) == 2  # the two rows of that block alone
    assert not mark.exists()
    assert first.stat().st_ino != inode
    assert run(folder, CHUNKS).identical(whole)  # and now it is whole again, without a word


def test_left_and_foreign_files_beside_the_blocks_do_no_harm(tmp_path):
    whole = run(tmp_path, CHUNKS)
    (tmp_path / ".0123.npz.abc.part").write_bytes(b"left by a kill")
    (tmp_path / "note.txt").write_text("mine")
    assert run(tmp_path, CHUNKS).identical(whole)
    assert (tmp_path / "note.txt").read_text() == "mine"


@pytest.mark.long
def test_one_store_for_several_processes_at_once(tmp_path):
    words = [sys.executable, "-W", "ignore", "-c", SCRIPT, str(tmp_path), repr(CHUNKS), "whole"]
    running = [subprocess.Popen(words, stderr=subprocess.PIPE, text=True) for _ in range(3)]
    for process in running:
        assert (process.communicate(timeout=300)[1], process.returncode) == ("", 0)
    assert len(list(tmp_path.iterdir())) == 8
    assert run(tmp_path, CHUNKS).identical(run(None, CHUNKS))


TELL = SCRIPT.replace("lazy = module", "from filmdose.errors import FilmdoseError\ntry:\n    lazy = module", 1).replace(
    "store=folder)\n",
    "store=folder)\nexcept FilmdoseError as error:\n    sys.exit(f'{type(error).__name__} {error}')\n",
    1,
)


@pytest.mark.long
def test_a_store_that_nobody_may_write_to_gives_what_it_has(solved, tmp_path):
    folder = tmp_path / "store"
    run(folder)
    folder.chmod(0o555)
    try:
        assert (
            python(
                TELL.replace("_BLOCK_CELLS = 1", "_BLOCK_CELLS = 20_000"), folder, None, "whole", before=as_everybody
            ).returncode
            == 0
        )
        refused = python(TELL, folder, None, "killed", before=as_everybody)
    finally:
        folder.chmod(0o755)
    assert refused.returncode == 1
    assert refused.stderr.startswith("OutputFileError")
    assert "Permission denied" in refused.stderr
    assert len(list(folder.iterdir())) == 1


@pytest.mark.long
def test_a_full_disk_is_said_and_what_is_kept_stays(small, solved, tmp_path):
    folder = tmp_path / "store"
    run(folder, speed=INPUTS["speed"][:2])
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    full = python(TELL, folder, None, "whole", before=room_for(2000))
    assert full.returncode == 1
    assert full.stderr.startswith("OutputFileError")
    assert "File too large" in full.stderr
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before
    solved.clear()
    assert run(folder).identical(run(None))
    assert len(solved) == 4 + 8


def test_what_cannot_be_stored_is_refused_before_any_work(solved, tmp_path):
    own = Criterion("own", lambda fogged, clean: fogged.snr - clean.snr[:, :1])
    with pytest.raises(ArgumentError, match="store: got 'Criterion own'"):
        sweep(kerma_ugy=[1.0], criterion=[own], store=tmp_path / "store")
    (tmp_path / "file").touch()
    for place in (tmp_path / "file", tmp_path / "no" / "store", "a\0b"):
        with pytest.raises(OutputFileError):
            sweep(kerma_ugy=[1.0], store=place)
    assert not solved


def test_progress_goes_on_over_stored_blocks(small, tmp_path):
    for _ in range(2):
        told = []
        sweep(kerma_ugy=[1.0], hit_exponent=[0.7, 0.8], store=tmp_path, progress=told.append)
        assert told == [0.5, 1.0]


def test_eager_blocks_are_large_enough_and_leave_doses_whole(monkeypatch, tmp_path):
    monkeypatch.setattr(module, "_BLOCK_CELLS", 30)
    whole = run(None)
    assert run(tmp_path / "a").identical(whole)
    assert len(list((tmp_path / "a").iterdir())) == 2  # 28 cells each: two speeds, both targets, all doses
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        first = {"kerma_ugy": INPUTS["kerma_ugy"], "shield_thickness_mm": [0.0, 0.2], "speed": [100.0, 800.0]}
        assert sweep(**first, store=tmp_path / "b").identical(sweep(**first))
    assert len(list((tmp_path / "b").iterdir())) == 1
