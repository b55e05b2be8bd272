"""Makes curves/sheets.csv, curves/digitised_curves.csv and curves/granularity_curves.csv from the unpacked package.

    python reference/build_curves.py FOLDER

FOLDER holds the unpacked wheel of spectral_film_lut 0.18.13 (MIT licence), which is read as text: nothing of it is
imported or run.

The halves. Settings of generic films and widths of priors are chosen on the *design* half and reported on the
*held-out* half. Modules of one kind (colour negatives for motion pictures and for stills apart) are put in the order
of the SHA-256 of their path in the package; the 1st, 3rd, 5th ... are design, the others held out. All variants of
one module (pushed, other times of development) stay together. The rule was written before any curve was fitted and
does not look at the data.
"""

from __future__ import annotations

import ast
import csv
import hashlib
import math
import sys
from pathlib import Path

import numpy as np
from scipy.interpolate import PchipInterpolator

HERE = Path(__file__).parent / "curves"
PACKAGE = "spectral_film_lut"
FOLDERS = {"bw_negative_film": "bw-negative", "negative_film": "colour-negative", "reversal_film": "colour-reversal"}
RECORDS = {"bw": ("visual",), "status_m": ("red", "green", "blue"), "status_a": ("red", "green", "blue")}
STATUS = {"bw": "visual", "status_m": "M", "status_a": "A"}

#: Modules are named by the first digits of the SHA-256 of their path in the package.
#: Codes that the tests knew before there were more sheets:
OLD_CODES = {
    "6b555c292101": "bw-negative-250",
    "bde50f2a3eeb": "bw-negative-400",
    "7eb048580d0b": "colour-negative-100",
    "728bda0453b6": "colour-negative-400",
    "d677f3eb302a": "colour-reversal-100-a",
    "e5117e822a2b": "colour-reversal-100-b",
}

#: Not pictorial camera films on transparent support with a speed: prints, separations, infrared and aerial film.
OTHER_MEDIA = (
    "0090b30d0a20",
    "93722fe2a9ce",
    "65daca877fca",
    "32b2118cdace",
    "def20b1d308d",
    "3d8974fdc48f",
)

#: Granularity is kept where it is a film's own: the package repeats the curves of a few films in many others.
OWN_GRANULARITY = (
    "6b555c292101",
    "e91dbbd22b83",
    "ed66a89eaa4e",
    "19723e2b29e3",
    "29193056d6c0",
    "72e62644adb9",
    "924afdbba220",
    "6e463639a642",
    "e5117e822a2b",
)


def literal(node, names):
    """Value of numbers, lists and dictionaries, with names that were assigned before."""
    if isinstance(node, ast.Name):
        return names[node.id]
    if isinstance(node, ast.Subscript):
        return literal(node.value, names)[literal(node.slice, names)]
    if isinstance(node, ast.Dict):
        return {literal(k, names): literal(v, names) for k, v in zip(node.keys, node.values, strict=True)}
    if isinstance(node, ast.List):
        return [literal(item, names) for item in node.elts]
    return ast.literal_eval(node)


def films_of(path):
    """(variant, fields) of every film in one module whose curves stand there as plain numbers."""
    names, films = {}, {}
    for statement in ast.parse(path.read_text(encoding="utf-8")).body:
        if not isinstance(statement, ast.Assign):
            continue
        if not isinstance(statement.targets[0], ast.Name):
            continue
        name = statement.targets[0].id
        if not isinstance(statement.value, ast.Call):
            try:
                names[name] = literal(statement.value, names)
            except (ValueError, KeyError):
                continue
            continue
        fields = {}
        for keyword in statement.value.keywords:
            try:
                fields[keyword.arg] = literal(keyword.value, names)
            except (ValueError, KeyError):
                fields[keyword.arg] = None  # calculated: not a reading
        base = statement.value.args[0].id if statement.value.args else None
        films[name] = {**films.get(base, {}), **fields, "variant": base is not None}
    return films


def variant_of(name):
    """What a variant's name says beside the film: minutes of development, or a pushed speed."""
    if "_DEV_" in name:
        return float(name.rsplit("_", 1)[1]), None
    if "_AT_" in name:
        return None, float(name.rsplit("_", 1)[1])
    return None, None


def sha256(key):
    """Hash that orders and names the modules."""
    return hashlib.sha256(key.encode()).hexdigest()


def halves(folder):
    """'design' or 'held-out' for each module path, by the rule above."""
    strata = {}
    for sub in FOLDERS:
        for path in (folder / PACKAGE / sub).glob("*.py"):
            if path.name != "__init__.py":
                cine = sub == "negative_film" and any(film["medium"] == "cine" for film in films_of(path).values())
                key = f"{sub}/{path.name}"
                strata.setdefault((sub, cine), []).append((sha256(key), key))
    return {
        key: "design" if place % 2 == 0 else "held-out"
        for keys in strata.values()
        for place, (_, key) in enumerate(sorted(keys))
    }


def speed_of(kind, curves):
    """Speed by the standard of the kind, from straight lines between the points; NaN where not reached."""

    def at(points, density):
        x, d = zip(*sorted(points.items()), strict=True)
        d = np.maximum.accumulate(d) if d[-1] > d[0] else np.minimum.accumulate(d)
        rising = d[-1] > d[0]
        net = d.min() + density
        return float(np.interp(net, d if rising else d[::-1], x if rising else x[::-1], left=np.nan, right=np.nan))

    if kind == "bw-negative":
        return 0.8 / 10 ** at(curves[0], 0.10)
    if kind == "colour-negative":
        points = [at(curve, 0.15) for curve in curves]
        return math.sqrt(2.0) / 10 ** (0.5 * (points[1] + max(points)))
    return 10.0 / 10 ** (0.5 * (at(curves[1], 0.20) + at(curves[1], 2.00)))


def main(folder):
    """Read the package and write the three files."""
    half = halves(folder)
    sheets, points, grain, codes = [], [], [], dict(OLD_CODES)
    used = set(OLD_CODES.values())
    for sub, kind in FOLDERS.items():
        keys = sorted(key for key in half if key.startswith(sub + "/"))
        for key in sorted(keys, key=sha256):
            module = sha256(key)[:12]
            for name, film in films_of(folder / PACKAGE / key).items():
                minutes, pushed = variant_of(name)
                unit = math.log10(film.get("exposure_base") or 10.0)  # some axes count in stops
                curves = film.get("sensiometric_curve")
                if curves and None not in curves:
                    curves = [{x * unit: d for x, d in curve.items()} for curve in curves]
                reason = ""
                if module in OTHER_MEDIA:
                    reason = "print or separation or infrared or aerial film"
                elif not curves or any(curve is None for curve in curves):
                    reason = "log exposures scaled or shifted by the package"
                elif module in codes and any(row[0] == codes[module] for row in sheets) and not (minutes or pushed):
                    reason = "another version of a sheet that is kept"
                elif kind == "bw-negative" and minutes is None:
                    continue  # one of its development family
                if module not in codes:
                    speed = film.get("iso") or 0
                    stem = f"{kind}-{speed:g}"
                    letters = ["", *(f"-{letter}" for letter in "abcdefgh")]
                    codes[module] = next(stem + letter for letter in letters if stem + letter not in used)
                    used.add(codes[module])
                code = codes[module] if pushed is None else f"{codes[module]}-at-{pushed:g}"
                box = pushed or film.get("iso")
                found = speed_of(kind, curves) if not reason else math.nan
                pushed_or_developed = minutes is not None or pushed is not None
                absolute = not reason and (pushed_or_developed or abs(math.log2(found / box)) <= 0.5)
                if not any(row[0] == code for row in sheets):
                    medium = "motion picture" if film.get("medium") == "cine" else "still"
                    rms = film.get("rms")
                    sheets.append(
                        [
                            *(
                                code,
                                kind,
                                medium,
                                f"{box or 0:g}",
                                STATUS.get(film.get("density_measure"), ""),
                                half[key],
                            ),
                            *("" if math.isnan(found) else f"{found:.1f}", "" if rms is None else f"{rms:g}"),
                            *("" if reason else "absolute" if absolute else "relative", reason, module, "P", PACKAGE),
                        ]
                    )
                if reason:
                    continue
                for record, curve in zip(RECORDS[film["density_measure"]], curves, strict=True):
                    for x, d in sorted(curve.items()):
                        points.append([code, record, "" if minutes is None else f"{minutes:g}", f"{x:.4f}", f"{d:.4f}"])
                own = module in OWN_GRANULARITY and pushed is None
                if own and film.get("rms_curve") and not any(row[0] == code for row in grain):
                    records = RECORDS[film["density_measure"]]
                    for record, sigma, density in zip(records, film["rms_curve"], film["rms_density"], strict=True):
                        x, d = zip(*sorted(density.items()), strict=True)
                        between = PchipInterpolator(x, d, extrapolate=False)
                        for at, value in sorted(sigma.items()):
                            if x[0] - 0.02 <= at <= x[-1] + 0.02:
                                net = float(between(min(max(at, x[0]), x[-1])))
                                grain.append([code, record, f"{at:.4f}", f"{net:.4f}", f"{value:.4f}"])
    write("sheets.csv", SHEETS, sheets)
    write("digitised_curves.csv", POINTS, points)
    write("granularity_curves.csv", GRAIN, grain)


ORIGIN = (
    f"# From the package {PACKAGE} 0.18.13 (MIT licence, copyright 2026 Jan Lohse; see LICENSE-spectral_film_lut.txt), "
    "by build_curves.py; single values, for comparison only.\n"
)
SHEETS = (
    ORIGIN
    + "# half, module: see build_curves.py. speed_found: by the standard of the kind.\n"
    + "# rms_granularity: the sheet's, through 48 um, times 1000 (of some films the package author's guess).\n"
    + "# axis: relative where the speed found is more than half a stop from the box: only the shape is of use;\n"
    + "# empty where the points are left out, for the reason that is stated.\n"
    + "film,kind,medium,speed,status,half,speed_found,rms_granularity,axis,left_out,module,flag,source\n"
)
POINTS = (
    ORIGIN + "# Points, unchanged. development_min: minutes in the developer of the sheet, empty where the process "
)
POINTS += (
    "is fixed. flag P: read from the data of the named package.\nfilm,record,development_min,log_exposure,density\n"
)
GRAIN = ORIGIN + "# Standard deviation of density through a 48 um aperture. log_exposure: its zero is not that of the "
GRAIN += "characteristic curves; density: between the points of the density curve drawn on the same axis.\n"
GRAIN += "film,record,log_exposure,density,sigma\n"


def write(name, head, rows):
    """One file, its comment first."""
    with open(HERE / name, "w", encoding="utf-8", newline="") as file:
        file.write(head)
        csv.writer(file, lineterminator="\n").writerows(rows)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
