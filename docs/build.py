"""Build the documentation: pages of this folder, notebooks, gallery, and what the library says of itself.

    .venv/bin/python docs/build.py [FOLDER]

Needs the extra ``docs``.  Everything is gathered in FOLDER (build/docs), nothing that is made is stored; a warning of
Sphinx is a failure, and so is a public function whose docstring lacks what ``FAULTS`` lists.
"""

from __future__ import annotations

import importlib
import inspect
import re
import shutil
import sys
import tomllib
from pathlib import Path
from types import ModuleType
from typing import Any

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"

#: What a public docstring must have: a text, a one-line summary, its parameters as they are, what it returns.
FAULTS = ("GL01", "GL08", "PR01", "PR02", "RT01", "SS01", "SS06", "YD01")


def topics() -> list[dict[str, Any]]:
    """The pages of the reference, from topics.toml."""
    return list(tomllib.loads((DOCS / "topics.toml").read_text(encoding="utf-8"))["topic"])


def public_names(module: ModuleType) -> list[str]:
    """Public names of a module that are told as its own, in order."""
    return [name for name in module.__all__ if not name.startswith("_")]


def faults_of(module: str, name: str) -> list[str]:
    """What the docstring of a public function or class lacks, one line each."""
    from numpydoc.validate import validate

    found = validate(f"{module}.{name}")
    protocol = getattr(getattr(importlib.import_module(module), name), "_is_protocol", False)  # is not called
    codes = set(FAULTS) - ({"PR01"} if protocol else set())
    return [f"{module}.{name}: {code} {text}" for code, text in found["errors"] if code in codes]


def reference_page(topic: dict[str, Any]) -> tuple[str, list[str]]:
    """One page of the reference, and the faults of its docstrings."""
    lines, faults = [f"# {topic['title']}", "", topic["text"]], []
    for path in topic["modules"]:
        module = importlib.import_module(path)
        lines += ["", f"## `{path}`", "", inspect.cleandoc(module.__doc__ or ""), "", "```{eval-rst}"]
        lines += [f".. currentmodule:: {path}", ""]
        for name in public_names(module):
            value = getattr(module, name)
            if inspect.isclass(value):
                lines += [f".. autoclass:: {name}", "   :members:", ""]
            elif callable(value):
                lines += [f".. autofunction:: {name}", ""]
            else:
                lines += constant(path, name, value)
            if inspect.isfunction(value) or inspect.isclass(value):
                faults += faults_of(path, name)
        lines.append("```")
    return "\n".join(lines) + "\n", faults


def constant(path: str, name: str, value: Any) -> list[str]:
    """A public constant: what stands above it in the source, and its value if that is short."""
    from sphinx.pycode import ModuleAnalyzer

    told = ModuleAnalyzer.for_module(path).find_attr_docs().get(("", name), [])
    shown = repr(value)
    lines = [f".. py:data:: {name}", *([f"   :value: {shown}"] if len(shown) <= 100 else []), ""]
    lines += [f"   {line}" for line in told]
    if isinstance(value, dict) and len(shown) > 100 and all(isinstance(text, str) for text in value.values()):
        lines += [f"   - ``{key}``: {text}" for key, text in value.items()]
    return [*lines, ""]


def data_page() -> str:
    """Tables of what ships: sources, materials, priors and every value with its mark and reference."""
    from filmdose.odds import list_priors
    from filmdose.radiation import list_materials, list_sources
    from filmdose.radiation.registry import FLAGS, list_data

    parts = [
        "# Shipped data\n\nEvery value has a source or a mark:\n",
        *(f"- {flag}: {meaning}" for flag, meaning in FLAGS.items()),
        "\nReferences are keys of `filmdose/data/references.bib`, printed below.",
    ]
    for title, frame in (
        ("Sources of dose", list_sources().reset_index()),
        ("Materials", list_materials().reset_index()),
        ("What is not known", list_priors().reset_index()),
        ("All values", list_data()),
    ):
        columns = [name for name in frame.columns if not frame[name].map(is_empty).all()]
        remarks = [name for name in columns if name in ("note", "caution", "references")]
        kept = frame[[name for name in columns if name not in remarks]]
        if len(kept) < len(columns):  # few and long: one column each
            kept = kept.set_index("name").T.rename_axis(index="").reset_index()
            kept[""] = kept[""].str.replace("_", " ")
        parts += [f"\n## {title}\n", table(kept), ""]
        for row in frame[["name", *remarks]].itertuples(index=False):
            texts = [cell(text) for text in row[1:] if not is_empty(text)]
            if texts:
                parts.append(f"- `{row[0]}`: {' '.join(texts)}")
    bib = (ROOT / "filmdose" / "data" / "references.bib").read_text(encoding="utf-8")
    parts.append(f"\n## References\n\n```text\n{bib.strip()}\n```\n")
    return "\n".join(parts)


def is_empty(value: Any) -> bool:
    """Whether a cell says nothing."""
    return value is None or value != value or value == "" or value == ()


def cell(value: Any) -> str:
    """A value as text that ends no cell and starts no mark-up."""
    if is_empty(value):
        return ""
    text = f"{value:.6g}" if isinstance(value, float) else ", ".join(value) if isinstance(value, tuple) else str(value)
    return re.sub(r"([|<>\[\]*_`$\\])", r"\\\1", text).replace("\n", " ")


def table(frame: Any) -> str:
    """A frame as a Markdown table."""
    rows = [[cell(value) for value in row] for row in frame.itertuples(index=False)]
    head = [str(name).replace("_", " ") for name in frame.columns]
    return "\n".join("| " + " | ".join(row) + " |" for row in [head, ["---"] * len(head), *rows])


#: A table that is wider than the page scrolls by itself.
STYLE = "table.docutils { display: block; overflow-x: auto; border: 0; }\n"


def glossary_page() -> str:
    """Words and units, as the guide for contributors has them: they stand once."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    found = re.search(r"^## Words and units\n(.*?)^## ", guide, re.S | re.M)
    if found is None:
        raise SystemExit("DEVELOPERS.md has no section 'Words and units'")
    return "# Glossary\n\n" + found[1].strip() + "\n"


def pictures(folder: Path) -> None:
    """Pictures of the decision and the criteria, drawn by the library."""
    import matplotlib as mpl

    mpl.use("Agg")
    import filmdose as fd
    from filmdose.plotting import plot_characteristic_curves, plot_loss, plot_signal_to_noise

    film = fd.generic_film(800)
    for name, axes in (
        ("loss", plot_loss(film, 100.0)),
        ("curves", plot_characteristic_curves(film, 100.0)),
        ("snr", plot_signal_to_noise(film, [0.0, 30.0, 100.0, 300.0])),
    ):
        figure = axes.figure
        figure.savefig(folder / f"{name}.png", dpi=110, bbox_inches="tight")


def gather(folder: Path) -> list[str]:
    """Put all pages into a folder; the faults of docstrings come back."""
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "reference").mkdir(parents=True)
    for path in (*DOCS.glob("*.md"), DOCS / "conf.py"):
        shutil.copy(path, folder / path.name)
    shutil.copytree(ROOT / "notebooks", folder / "notebooks", ignore=shutil.ignore_patterns(".ipynb_checkpoints"))
    shutil.copytree(ROOT / "reference" / "gallery", folder / "gallery")
    shutil.copy(ROOT / "filmdose" / "data" / "how_to_scan.md", folder / "how_to_scan.md")
    (folder / "_static").mkdir()
    (folder / "_static" / "tables.css").write_text(STYLE, encoding="utf-8")
    (folder / "pictures").mkdir()
    pictures(folder / "pictures")
    (folder / "data.md").write_text(data_page(), encoding="utf-8")
    (folder / "glossary.md").write_text(glossary_page(), encoding="utf-8")
    (folder / "gallery.md").write_text(gallery_page(), encoding="utf-8")
    faults: list[str] = []
    for topic in topics():
        page, found = reference_page(topic)
        (folder / "reference" / f"{topic['page']}.md").write_text(page, encoding="utf-8")
        faults += found
    pages = "\n".join(f"reference/{topic['page']}" for topic in topics())
    notebooks = "\n".join(f"notebooks/{path.stem}" for path in sorted((ROOT / "notebooks").glob("*.ipynb")))
    fill(folder / "index.md", reference=pages, notebooks=notebooks)
    fill(folder / "deciding.md", criteria=criteria_table(), verdicts=verdicts_table())
    return faults


def fill(page: Path, **texts: str) -> None:
    """Put texts in the places of a page that are marked @name@."""
    text = page.read_text(encoding="utf-8")
    for name, value in texts.items():
        assert f"@{name}@" in text, (page, name)
        text = text.replace(f"@{name}@", value)
    page.write_text(text, encoding="utf-8")


def criteria_table() -> str:
    """The criteria as the solver has them."""
    from filmdose.solver import CRITERIA

    return "\n".join(
        ["| criterion | asks for |", "|---|---|", *(f"| `{key}` | {text} |" for key, text in CRITERIA.items())]
    )


def verdicts_table() -> str:
    """The limits of the verdicts."""
    from filmdose.solution import VERDICTS

    rows = ["| verdict | shadow's signal-to-noise left | contrast left |", "|---|---|---|"]
    for name, (shadow, contrast) in VERDICTS.items():
        limits = (
            ("less", "less; there is no index")
            if name == "lost"
            else (f"at least {100 * shadow:.0f} %", f"at least {100 * contrast:.0f} %")
        )
        rows.append(f"| {name} | {limits[0]} | {limits[1]} |")
    return "\n".join(rows)


def gallery_page() -> str:
    """The gallery, with the words of the README."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r"!\[([^\]]*)\]\(reference/gallery/([a-z_]+\.png)\)", readme)
    return "# Gallery\n\n" + "\n".join(f"![{words}](gallery/{name})\n\n{words}\n" for words, name in shown)


def main() -> None:
    """Gather, check docstrings, build."""
    from sphinx.cmd.build import build_main

    target = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "build" / "docs"
    source = target / "source"
    faults = gather(source)
    for fault in faults:
        print(fault, file=sys.stderr)
    code = build_main(["-b", "html", "-W", "--keep-going", "-q", str(source), str(target / "html")])
    print(f"{len(faults)} faults of docstrings; pages in {target / 'html'}")
    sys.exit(1 if code or faults else 0)


if __name__ == "__main__":
    main()
