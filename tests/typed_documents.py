"""The code of README, pages, docstrings and notebooks as modules that a type checker can read."""

import ast
import doctest
import json
import re

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
    used = {node.id for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Name)}
    given = {
        node.id
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)
    }
    found = []
    for name in sorted(used - given):
        value = vars(module).get(name)
        if value is None or name.startswith("_"):
            continue
        if hasattr(value, "__path__") or type(value).__name__ == "module":
            found.append(f"    import {value.__name__} as {name}\n")
        elif (
            hasattr(value, "__module__") and str(value.__module__).startswith("filmdose") and hasattr(value, "__name__")
        ):
            found.append(f"    from {value.__module__} import {name}\n")
        else:
            found.append(f"    from {module.__name__} import {name}\n")
    return "".join(found)
