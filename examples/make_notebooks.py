"""Make the notebooks from the Python files beside them: cells begin with ``# %%``.

python examples/make_notebooks.py
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import nbclient
import nbformat

HERE = Path(__file__).parent
NOTEBOOKS = ("first_look", "audit")
SECONDS = 600


def cells_of(text: str) -> list[tuple[str, str]]:
    """Return (kind, source) of each cell of a file."""
    cells = []
    for part in re.split(r"^# %%", text, flags=re.MULTILINE)[1:]:
        head, _, body = part.partition("\n")
        if "[markdown]" in head:
            body = re.sub(r"^# ?", "", body, flags=re.MULTILINE)
            cells.append(("markdown", body.strip()))
        else:
            cells.append(("code", body.strip()))
    return cells


def notebook_of(name: str) -> Any:
    """Return the notebook of a file, not yet run."""
    make = {"markdown": nbformat.v4.new_markdown_cell, "code": nbformat.v4.new_code_cell}
    cells = []
    for number, (kind, source) in enumerate(
        cells_of((HERE / f"{name}.py").read_text(encoding="utf-8"))
    ):
        cell = make[kind](source)
        cell["id"] = f"cell-{number}"  # a random one would make every run a change
        cells.append(cell)
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    return nbformat.v4.new_notebook(cells=cells, metadata={"kernelspec": kernel})


def main() -> None:
    """Run both and write them with their outputs."""
    for name in NOTEBOOKS:
        notebook = notebook_of(name)
        where = {"metadata": {"path": str(HERE)}}
        nbclient.NotebookClient(notebook, timeout=SECONDS, resources=where).execute()
        for cell in notebook.cells:
            cell.metadata.pop("execution", None)
        notebook.metadata.pop("language_info", None)
        nbformat.write(notebook, HERE / f"{name}.ipynb")


if __name__ == "__main__":
    main()
