"""Runs docs/worked-year.ipynb anew and draws docs/forest.svg: `python docs/make_worked_year.py`.

Both rest on the invented network. A test runs the same code and compares. With `--demo FOLDER` a folder that
`crosscellar demo` has made is used, else one is made (half a minute).
"""

from __future__ import annotations

import argparse
import contextlib
import copy
import io
import json
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import crosscellar as cc

DOCS: Final = Path(__file__).parent
NOTEBOOK: Final = DOCS / "worked-year.ipynb"
FIGURE: Final = DOCS / "forest.svg"
#: What the README's figure shows.
QUESTION: Final = "malolactic-timing"
#: Kept of an output, the first that there is; the text form of a record is there for terminals only.
KINDS: Final = ("image/svg+xml", "text/html", "text/plain")


def run_notebook(notebook: dict[str, Any], folder: Path) -> dict[str, Any]:
    """The notebook with the outputs that its cells give when run in `folder`, from top to bottom.

    Raises
    ------
    Exception
        Whatever a cell raises: none may.
    """
    run = copy.deepcopy(notebook)
    shown: list[dict[str, Any]] = []
    with contextlib.chdir(folder), _shell(shown) as shell:
        for number, cell in enumerate(code_cells(run), 1):
            shown.clear()
            with contextlib.redirect_stdout(io.StringIO()) as said:
                shell.run_cell("".join(cell["source"]), store_history=False).raise_error()
            printed = {"name": "stdout", "output_type": "stream", "text": lines(said.getvalue())}
            cell["execution_count"] = number
            cell["outputs"] = [printed] if printed["text"] else []
            cell["outputs"] += [_output(data["data"], number) for data in shown]
    return run


@contextlib.contextmanager
def _shell(shown: list[dict[str, Any]]) -> Iterator[Any]:
    """A shell that adds to `shown` what cells come to, keeps no history and leaves nothing behind."""
    from IPython.core import displayhook, interactiveshell
    from traitlets.config import Config

    # IPython types none of the calls below.
    kind: Any = interactiveshell.InteractiveShell
    hook: Any = displayhook.CapturingDisplayHook
    settings = Config()
    settings.HistoryManager.enabled = False
    settings.HistoryManager.hist_file = ":memory:"
    before = sys.displayhook, sys.excepthook
    with tempfile.TemporaryDirectory() as home:
        shell = kind(config=settings, ipython_dir=home)
        shell.display_trap.hook = hook(shell, shown)
        shell.display_formatter.active_types = list(KINDS)
        try:
            yield shell
        finally:
            shell.reset(new_session=False)
            shell.restore_sys_module_state()
            sys.displayhook, sys.excepthook = before
            kind.clear_instance()


def _output(data: dict[str, str], number: int) -> dict[str, Any]:
    kind = next(kind for kind in KINDS if kind in data)
    return {
        "data": {kind: lines(data[kind])},
        "execution_count": number,
        "metadata": {},
        "output_type": "execute_result",
    }


def lines(text: str) -> list[str]:
    """Text as notebooks keep it: a list of lines with their ends."""
    return text.splitlines(keepends=True)


def code_cells(notebook: dict[str, Any]) -> list[dict[str, Any]]:
    """The cells that are run."""
    return [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]


def read_notebook(path: Path = NOTEBOOK) -> dict[str, Any]:
    """A notebook as it lies in its file."""
    notebook: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return notebook


def draw_figure(store: Path, path: Path) -> Path:
    """The README's forest plot, drawn from the demo's store."""
    with cc.Network.open(store, read_only=True) as network:
        return network.pool(QUESTION)[0].plot(path)


def main() -> None:
    """The notebook and the figure are written anew."""
    parser = argparse.ArgumentParser(description="Run the worked year anew.")
    parser.add_argument("--demo", type=Path, help="a folder that `crosscellar demo` has made")
    given = parser.parse_args().demo
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        demo = folder / "crosscellar-demo"
        if given is None:
            from crosscellar.demo import run_demo

            run_demo(demo, say=lambda _: None)
        else:
            demo.symlink_to(given.resolve(), target_is_directory=True)
        run = run_notebook(read_notebook(), folder)
        draw_figure(demo / "network.duckdb", FIGURE)
    NOTEBOOK.write_text(json.dumps(run, ensure_ascii=False, indent=1) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
