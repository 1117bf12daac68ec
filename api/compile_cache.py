"""Keeps compiled code between starts. Must run before anything imports PyTensor or numba."""

import os
from pathlib import Path

__all__ = ["use"]


def use(folder: Path) -> None:
    """Point the compilers at a folder of ours, unless the environment already says otherwise.

    Parameters
    ----------
    folder : Path
        Made if it is missing.
    """
    folder.mkdir(parents=True, exist_ok=True)
    os.environ.setdefault("NUMBA_CACHE_DIR", str(folder / "numba"))
    flags = os.environ.get("PYTENSOR_FLAGS", "")
    if "compiledir" not in flags:
        ours = f"base_compiledir={folder / 'pytensor'}"
        os.environ["PYTENSOR_FLAGS"] = f"{flags},{ours}" if flags else ours
