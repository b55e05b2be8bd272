"""The code of README, pages, docstrings and notebooks as modules that a type checker can read."""

import ast
import doctest
import inspect
import json
import re
import sys

import face


def modules():
    """(name, source) of one module for each document."""
    for path in [face.ROOT / "README.md", *sorted((face.ROOT / "docs").glob("*.md"))]:
        blocks = re.findall(r"```python\n(.*?)```", path.read_text("utf-8"), re.DOTALL)
        if blocks:
            yield f"page_{path.stem}".lower(), "\n".join(blocks)
    for path in sorted((face.ROOT / "notebooks").glob("*.ipynb")):
        cells = [cell for cell in json.loads(path.read_text("utf-8"))["cells"] if cell["cell_type"] == "code"]
        yield f"notebook_{path.stem}", "\n".join("".join(cell["source"]) for cell in cells)
    for name, module in face.modules().items():
        parts = []
        for test in doctest.DocTestFinder(exclude_empty=True).find(module):
            source = "".join(example.source for example in test.examples)
            if source:
                parts.append(f"def example_{len(parts)}() -> None:\n{_names(module, source)}{_indented(source)}")
        if parts:
            yield f"example_{name.replace('.', '_')}", "\n".join(parts)


def _indented(source):
    return "".join(f"    {line}\n" for line in source.splitlines())


def _names(module, source):
    """Imports of what a docstring's example takes from the module that it stands in."""
    nodes = [node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Name)]
    given = {node.id for node in nodes if isinstance(node.ctx, ast.Store)}
    found = []
    for name in sorted({node.id for node in nodes} - given):
        value = vars(module).get(name)
        if value is None or name.startswith("_"):
            continue
        if inspect.ismodule(value):
            found.append(f"    import {value.__name__} as {name}\n")
            continue
        homes = [home for home in face.modules().values() if name in getattr(home, "__all__", ())]
        home = sys.modules.get(getattr(value, "__module__", None) or "", homes[0] if homes else module)
        found.append(f"    from {home.__name__} import {name}\n")
    return "".join(found)
