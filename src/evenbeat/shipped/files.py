"""Where the invented demonstration data and the notebooks are: in a checkout or inside the package."""

from __future__ import annotations

from pathlib import Path

from evenbeat.errors import InputError

_HERE = Path(__file__).resolve().parent
_CHECKOUT = _HERE.parents[2]
_DATA_FORMS = ("*.csv", "*.csv.gz", "truth.json", "README.md")


def demo_data(name: str) -> Path:
    """Return the path of a file of the invented demonstration data.

    Parameters
    ----------
    name
        ``'kittiwake.csv.gz'``, ``'fulmar.csv.gz'``, ``'fulmar-evening.csv'``, ``'gannet.csv.gz'``,
        ``'kittiwake-history.csv'``, ``'counter-check-readings.csv'``, ``'truth.json'`` (what was put in), or
        ``'README.md'`` (what each file is).

    Raises
    ------
    InputError
        If there is no file of this name.

    Notes
    -----
    All of it is simulated and belongs to an invented scenario; the file is the original, so read it and
    leave it as it is (``evenbeat demo`` makes copies).

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
