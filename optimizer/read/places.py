"""Where the data that ship with the package lie: a source checkout and an installed wheel keep them apart."""

from __future__ import annotations

from pathlib import Path

from optimizer.errors import Fault, InputError

_PACKAGE = Path(__file__).resolve().parent.parent
_SHIPPED = ("catalogs", "examples")


def data_directory(name: str) -> Path:
    """Return the folder of the catalogs or of the examples.

    An installed package has them in `optimizer/data`, a source checkout beside the package.

    Parameters
    ----------
    name
        "catalogs" or "examples".

    Raises
    ------
    InputError
        If the name is another one, or the folder is in neither place.
    """
    if name not in _SHIPPED:
        raise InputError([Fault("data_directory", repr(name), " or ".join(_SHIPPED))])
    candidates = (_PACKAGE / "data" / name, _PACKAGE.parent / name)
    for candidate in candidates:
        if candidate.is_dir():
            return candidate
    looked = " and ".join(str(candidate) for candidate in candidates)
    raise InputError([Fault(name, f"no such folder; looked at {looked}", "an installed package or a whole checkout")])
