"""The invented demonstration data and the notebooks: where they are, and copies to work in.

What the reader changed is never overwritten. Beside the copies lies a small table of the hashes of what was
copied, so that a later version of the package can tell a copy that nobody touched (and renew it) from one
that somebody worked in (and keep it).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from evenbeat.errors import InputError, OutputError

_HERE = Path(__file__).resolve().parent
_CHECKOUT = _HERE.parents[2]
_DATA_FORMS = ("*.csv", "*.csv.gz", "truth.json", "README.md")
TABLE = ".evenbeat-copies.json"
Outcome = Literal["new", "same", "renewed", "kept", "set aside"]


def demo_data(name: str) -> Path:
    """Return the path of a file of the invented demonstration data.

    Parameters
    ----------
    name
        ``'kittiwake.csv.gz'``, ``'fulmar.csv.gz'``, ``'fulmar-evening.csv'``, ``'gannet.csv.gz'``,
        ``'kittiwake-history.csv'``, ``'counter-check-readings.csv'``, ``'truth.json'`` (what was put in), or
        ``'README.md'`` (what each file is).

    Returns
    -------
    Path
        Of the file, wherever evenbeat is installed.

    Raises
    ------
    InputError
        If there is no file of this name.

    Notes
    -----
    All of it is simulated and belongs to an invented scenario; the file is the original, so read it and
    leave it as it is (``evenbeat demo`` makes copies).

    Examples
    --------
    >>> import evenbeat as eb
    >>> eb.demo_data("kittiwake-history.csv").name
    'kittiwake-history.csv'

    References
    ----------
    Source: simulated: data/make_demo_data.py
    Tests: tests/test_demo_data.py
    """
    known = {path.name: path for path in demo_files()}
    if name not in known:
        msg = f"there are no demonstration data named {name!r}; there are {', '.join(known)}"
        raise InputError(msg)
    return known[name]


def demo_files() -> tuple[Path, ...]:
    """Return the files of the invented demonstration data, by name."""
    folder = _folder("data")
    return tuple(sorted({path for form in _DATA_FORMS for path in folder.glob(form)}))


def notebook_files() -> tuple[Path, ...]:
    """Return the notebooks in their order, as they were published."""
    return tuple(sorted(_folder("notebooks").glob("[0-9]*.ipynb")))


def _folder(name: str) -> Path:
    """Return a folder of the checkout that this code runs from, or else its copy in the package."""
    inside = _HERE / name
    in_checkout = _CHECKOUT / "src" / "evenbeat" / "shipped" == _HERE and (_CHECKOUT / name).is_dir()
    if in_checkout or not inside.is_dir():
        return _CHECKOUT / name
    return inside


@dataclass(frozen=True, kw_only=True)
class CopiedFile:
    """What happened to one file: ``kept`` means changed by the reader, so left alone.

    Attributes
    ----------
    aside
        Name under which the reader's own version lies now, where it was set aside.
    """

    name: str
    outcome: Outcome
    aside: str = ""


@dataclass(frozen=True, kw_only=True)
class WorkingCopy:
    """A folder of copies, and what happened to each of them."""

    folder: Path
    files: tuple[CopiedFile, ...]

    def names(self, outcome: Outcome) -> list[str]:
        """Return the names of the files with this outcome."""
        return [file.name for file in self.files if file.outcome == outcome]

    def __str__(self) -> str:
        said = {"new": "copied", "same": "there already", "renewed": "renewed, nobody had changed them"}
        lines = [f"{len(self.files)} files in {self.folder}"]
        lines += [f"{len(self.names(o))} {text}" for o, text in said.items() if self.names(o)]  # type: ignore[arg-type]
        lines += [f"kept {file.name}: you changed it" for file in self.files if file.outcome == "kept"]
        lines += [
            f"renewed {file.name}: your version is now {file.aside}" for file in self.files if file.aside
        ]
        return "\n".join(lines)


def working_copy(originals: Sequence[Path], folder: str | Path, *, renew: bool = False) -> WorkingCopy:
    """Copy files into a folder that may hold earlier copies.

    Parameters
    ----------
    originals
        What to copy.
    folder
        Made where it does not exist.
    renew
        Whether a copy that was changed gives way to the original; the changed one is kept under another name.

    Raises
    ------
    OutputError
        If the folder or a file cannot be written.
    """
    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
        table = _read_table(target)
        files = tuple(_copied(path, target, table, renew=renew) for path in originals)
        (target / TABLE).write_text(json.dumps(table, indent=1, sort_keys=True), encoding="utf-8")
    except OSError as error:
        msg = f"{target} cannot be written ({error.strerror}); give another folder"
        raise OutputError(msg) from error
    return WorkingCopy(folder=target, files=files)


def _copied(original: Path, folder: Path, table: dict[str, str], *, renew: bool) -> CopiedFile:
    content, copy = original.read_bytes(), folder / original.name
    wanted = _hash(content)
    outcome: Outcome = "new"
    aside = ""
    if copy.exists():
        present = _hash(copy.read_bytes())
        if present == wanted:
            outcome = "same"
        elif present == table.get(original.name):
            outcome = "renewed"
        elif not renew:
            return CopiedFile(name=original.name, outcome="kept")
        else:
            outcome, aside = "set aside", _free_name(copy)
            copy.rename(folder / aside)
    if outcome != "same":
        copy.write_bytes(content)
    table[original.name] = wanted
    return CopiedFile(name=original.name, outcome=outcome, aside=aside)


def _free_name(copy: Path) -> str:
    """Return ``log.yours-1.csv`` for ``log.csv``, counting on from what is there."""
    stem, dot, ending = copy.name.partition(".")
    number = 1
    while (copy.parent / f"{stem}.yours-{number}{dot}{ending}").exists():
        number += 1
    return f"{stem}.yours-{number}{dot}{ending}"


def _read_table(folder: Path) -> dict[str, str]:
    """Return the hashes of what was copied; without a readable table every difference counts as work."""
    try:
        table = json.loads((folder / TABLE).read_text(encoding="utf-8"))
    except (FileNotFoundError, ValueError):
        return {}
    return {str(name): str(value) for name, value in table.items()} if isinstance(table, dict) else {}


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
