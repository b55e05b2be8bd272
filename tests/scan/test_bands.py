"""Which cause made the bands: 5 causes told apart, with probabilities that mean what they say."""

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from filmdose.errors import ArgumentError, InputFileError, UnknownNameError
from filmdose.film.readings import write_csv_table
from filmdose.scan import (
    Box,
    FogProfile,
    explain_bands,
    get_winding,
    join_profiles,
    profile_from_scan,
    read_profile,
    wound_fog,
)
from filmdose.scan.bands import CAUSES
from filmdose.scan.simulate import grainy, scan_from_pixels, simulate_pixels, simulate_profile, write_tiff

ROLL = get_winding("135-36")
PAPER = get_winding("120")
TRIP = Path(__file__).parents[2] / "notebooks" / "trip_measured.toml"


@pytest.fixture(scope="module")
def study():
    """20 profiles of each cause: names of the true causes, and the results."""
    rng = np.random.default_rng(77)
    true = [cause for cause in CAUSES for _ in range(20)]
    return true, [explain_bands(simulate_profile(cause, ROLL, rng=rng), ROLL) for cause in true]


@pytest.mark.long
def test_causes_are_told_apart(study):
    true, results = study
    right = [cause == result.cause for cause, result in zip(true, results, strict=True)]
    assert np.mean(right) > 0.75  # weak bands, a tenth of the noise, are among them
    sure = [r for r, result in zip(right, results, strict=True) if max(result.probability.values()) > 0.98]
    assert len(sure) > 0.4 * len(right)
    assert np.mean(sure) > 0.97


@pytest.mark.long
def test_weak_bands_are_called_noise_and_not_each_other(study):
    true, results = study
    wrong = [
        result.cause for cause, result in zip(true, results, strict=True) if result.cause != cause and cause != "even"
    ]
    assert np.mean([cause == "even" for cause in wrong]) > 0.7


@pytest.mark.long
def test_probabilities_mean_what_they_say(study):
    true, results = study
    stated = np.array([[result.probability[name] for name in CAUSES] for result in results])
    happened = np.array([[name == cause for name in CAUSES] for cause in true], dtype=float)
    assert_allclose(stated.sum(axis=1), 1.0)
    for low, high in ((0.0, 0.03), (0.03, 0.2), (0.2, 0.6), (0.6, 1.01)):
        inside = (stated >= low) & (stated < high)
        expected, seen = stated[inside].mean(), happened[inside].mean()
        error = np.sqrt(max(expected * (1 - expected), 0.01) / inside.sum())
        assert abs(expected - seen) < 4 * error + 0.03, (low, high, expected, seen)
    # the score of Brier against that of guessing at random, 0.8
    assert np.mean(((stated - happened) ** 2).sum(axis=1)) < 0.35


@pytest.mark.few(2)
@pytest.mark.parametrize("winding", [ROLL, PAPER])
@pytest.mark.parametrize("cause", [cause for cause in CAUSES if cause != "even"])
def test_strong_bands_leave_no_doubt(cause, winding, rng):
    for _ in range(3):
        result = explain_bands(simulate_profile(cause, winding, rng=rng, strength=6.0), winding)
        assert result.cause == cause
        assert "very strong" in result.sentence


@pytest.mark.few(1)
@pytest.mark.parametrize("memory", [0.3, 0.6, 0.9])
def test_noise_with_a_memory_is_no_cause_and_hides_none(memory):
    from scipy.signal import lfilter

    rng = np.random.default_rng(6)
    found = {"even": [], "radiation": []}
    for cause, results in found.items():
        for _ in range(15):
            profile = simulate_profile(cause, ROLL, rng=rng, strength=1.5)
            noise = lfilter([1.0], [1.0, -memory], rng.standard_normal(500))[200:]
            density = profile.density + 0.003 * noise / noise.std()
            results.append(explain_bands(FogProfile(position_mm=profile.position_mm, density=density), ROLL).cause)
    assert np.mean([cause == "even" for cause in found["even"]]) > 0.6
    assert np.mean([cause == "radiation" for cause in found["radiation"]]) > 0.9


def test_a_growing_period_is_not_a_fixed_one(rng):
    profile = simulate_profile("radiation", ROLL, rng=rng, strength=3.0)
    result = explain_bands(profile, ROLL)
    assert result.log_likelihood["radiation"] > result.log_likelihood["fixed-pitch"] + 5
    assert "period" in result.detail


@pytest.mark.long
def test_the_end_can_be_told():
    rng = np.random.default_rng(5)
    position = np.arange(300) * 5.0 + 60.0
    fog = 0.1 * wound_fog(ROLL, position, "fan", end="outside")
    profile = FogProfile(position_mm=position, density=0.3 + fog + 0.003 * rng.standard_normal(300))
    right, wrong = (explain_bands(profile, ROLL, end=end) for end in ("outside", "inside"))
    assert right.log_likelihood["radiation"] > wrong.log_likelihood["radiation"] + 10
    shifted = FogProfile(position_mm=position - 60.0, density=profile.density)
    assert explain_bands(shifted, ROLL, end="outside", start_mm=60.0).cause == "radiation"


@pytest.mark.long
def test_peak_to_mean_is_that_of_the_fog():
    rng = np.random.default_rng(8)
    position = (np.arange(400) + 0.5) * 4.0
    shape = wound_fog(ROLL, position, "fan", fan_deg=20)
    true = shape.max() / shape.mean()
    density = 0.3 + 0.2 * shape / shape.mean() + 0.004 * rng.standard_normal(400)
    result = explain_bands(FogProfile(position_mm=position, density=density, control_density=0.3), ROLL)
    assert result.cause == "radiation"
    assert_allclose(result.peak_to_mean, true, rtol=0.08)
    assert explain_bands(FogProfile(position_mm=position, density=density), ROLL).peak_to_mean is None


@pytest.mark.long
def test_scale_and_offset_of_density_do_not_matter(rng):
    profile = simulate_profile("light-leak", ROLL, rng=rng, strength=3.0)
    other = FogProfile(position_mm=profile.position_mm, density=2.0 + 0.5 * profile.density)
    a, b = explain_bands(profile, ROLL), explain_bands(other, ROLL)
    for name in CAUSES:
        assert_allclose(a.log_likelihood[name], b.log_likelihood[name], rtol=1e-3, atol=1e-2)


def picture(rng, pixel_um=100.0):
    position = (np.arange(1600) + 0.5) * pixel_um / 1000 * 10
    fog = 0.1 * wound_fog(ROLL, position, "fan")
    density = np.zeros((60, 1600))
    density[10:50] = 0.3 + fog
    density = grainy(density, np.where(density > 0, 0.3, 0.0), pixel_um=pixel_um, rng=rng)
    return simulate_pixels(density, rng=rng, dust=20), position, 0.3 + fog


def test_a_profile_from_a_scan(rng):
    pixels, _, true = picture(rng)
    scan = scan_from_pixels(pixels, pixel_um=100.0)
    clear = scan_from_pixels(simulate_pixels(np.zeros(pixels.shape), rng=rng), pixel_um=100.0)
    strip = Box(left=0, top=14, width=1600, height=32)
    found = profile_from_scan(scan, strip, clear=clear, step_mm=0.8)
    assert_allclose(found.density, true.reshape(-1, 8).mean(axis=1), atol=0.006)
    assert_allclose(found.position_mm[:2], [0.4, 1.2])
    both = join_profiles([found, found], gap_mm=2.0)
    assert both.position_mm.size == 2 * found.position_mm.size
    assert_allclose(both.position_mm[200] - both.position_mm[199], 2.8)


def test_the_command_on_a_profile(run, rng, tmp_path):
    profile = simulate_profile("radiation", ROLL, rng=rng, strength=4.0)
    path = write_csv_table(profile.to_dataframe(), tmp_path / "profile.csv")
    words = ("bands", path, "--control", 0.3)
    code, out, err = run(*words, "--plot", tmp_path / "p.png")
    assert (code, err) == (0, "")
    assert "radiation on the wound roll" in out
    assert "peak_to_mean = " in out
    code, out, _ = run(*words, "--format", "json")
    data = json.loads(out)
    assert data["cause"] == "radiation"
    assert data["peak_to_mean"] >= 1.0
    assert data["schema"] == "filmdose/bands"
    for format in ("csv", "markdown", "html"):
        code, out, err = run(*words, "--format", format)
        assert (code, err) == (0, "")
        assert "fitted" in out or "radiation on the wound roll" in out


@pytest.mark.long
def test_the_damage_report_has_a_page_on_bands(run, rng, tmp_path):
    profile = simulate_profile("radiation", ROLL, rng=rng, strength=4.0)
    path = write_csv_table(profile.to_dataframe(), tmp_path / "profile.csv")
    files = ("--output", tmp_path / "r.html", "--output", tmp_path / "r.pdf")
    code, _, err = run("report", TRIP, "--roll", "ridge-400", "--bands", path, "--samples", 1024, *files)
    assert (code, err) == (0, "")
    assert "Bands along the film" in (tmp_path / "r.html").read_text()
    assert (tmp_path / "r.pdf").read_bytes()[:4] == b"%PDF"


@pytest.mark.long
def test_the_command_on_a_scan(run, rng, tmp_path):
    pixels, _, _ = picture(rng)
    scan = write_tiff(pixels, tmp_path / "a.tif", pixel_um=100.0)
    clear = write_tiff(simulate_pixels(np.zeros(pixels.shape), rng=rng), tmp_path / "b.tif")
    code, out, err = run("bands", scan, "--clear", clear, "--box", "0,14,1600,32", "--dpi", 254)
    assert (code, err) == (0, "")
    assert "evidence" in out


def test_bad_input(run, rng, tmp_path):
    position = np.arange(100.0)
    for change, says in (
        ({"position_mm": position[::-1]}, "rising"),
        ({"position_mm": position[:10], "density": np.ones(10)}, "at least 24"),
        ({"density": np.full(100, np.nan)}, "density"),
        ({"control_density": -1.0}, "control_density"),
    ):
        with pytest.raises(ArgumentError, match=says):
            FogProfile(**({"position_mm": position, "density": rng.normal(0.5, 0.01, 100)} | change))
    flat = FogProfile(position_mm=position, density=np.full(100, 0.4))
    with pytest.raises(ArgumentError, match="all alike"):
        explain_bands(flat, ROLL)
    noisy = FogProfile(position_mm=position * 30, density=rng.normal(0.5, 0.01, 100))
    with pytest.raises(ArgumentError, match="1620 mm"):
        explain_bands(noisy, ROLL)
    with pytest.raises(UnknownNameError, match="end"):
        explain_bands(noisy, ROLL, end="middle")
    path = tmp_path / "a.csv"
    path.write_text("place,density\n1,2\n3,4\n")
    with pytest.raises(InputFileError, match="position_mm"):
        read_profile(path)
    code, _, err = run("bands", path)
    assert code == 2
    assert err.count("\n") == 1
