"""The graph, compiled: by PyMC and nutpie once, and from then on taken up again as machine code.

PyMC takes most of a minute to turn the graph into code, and half of that again where its own pieces are cached, for it
rewrites the graph each time. What comes out is two functions of plain C, so they are kept as they are, with what
nutpie's sampler asks of a model beside them; a later start then loads neither PyMC nor PyTensor.
"""

import base64
import ctypes
import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["BUILDING", "COMPILING", "TAKING_UP", "Shelf", "StaleCodeError", "compiled", "from_bytes", "to_bytes"]

TAKING_UP = "loading the model from the cache"
BUILDING = "building the model"
COMPILING = "compiling the model (about a minute, the first time only)"
"""Steps of getting ready, as they are told."""

_FORMAT = 2
_PINNED = ("z_full", "z_idle")
_JITTER = 1.0  # half the width over which chains begin
_APART = 4.0  # the same in what readings pin, where readings that contradict each other leave several modes


class Shelf(Protocol):
    """Where compiled code lasts between starts; what it gives must come from this code on this machine."""

    def get(self) -> bytes | None:
        """What was put, unharmed; None if there is nothing."""

    def put(self, code: bytes) -> None:
        """Keep it; an OSError where that cannot be."""

    def alone(self, progress: Callable[[str], None]) -> AbstractContextManager[object]:
        """Entered by one process at a time; the others are told, and wait for what it compiles."""


class StaleCodeError(Exception):
    """Kept code that does not do here what it did when it was kept."""


@dataclass(frozen=True)
class _Function:
    """A function of machine code, as nutpie asks for one; `owner` keeps the code in memory."""

    address: int
    owner: Any


class _Name(NamedTuple):
    """A piece of data as nutpie knows it."""

    name: str
    ndim: int


@dataclass(frozen=True)
class _Start:
    """Where a chain begins: around the middle of the prior, nowhere twice.

    Parameters
    ----------
    middle, jitter : array, (dimensions,)
        And half the width around it.
    """

    middle: NDArray[np.float64]
    jitter: NDArray[np.float64]

    def __call__(self, seed: Any) -> NDArray[np.float64]:
        """The same for the same seed, in any process."""
        return self.middle + self.jitter * np.random.default_rng(seed).uniform(-1.0, 1.0, len(self.middle))


def compiled(shelf: Shelf | None, progress: Callable[[str], None]) -> Any:
    """The compiled graph, from the shelf if that has it; else it is compiled and put there.

    Parameters
    ----------
    shelf : Shelf, optional
    progress : callable
        Told in words what is going on.

    Returns
    -------
    nutpie.CompiledModel
        Its ``with_data`` takes what `taperwise.model.inference.data_packing.data_of` gives.
    """
    if shelf is None:
        return _compile(progress)
    kept = shelf.get()
    found = _taken_up(kept, progress)
    if found is not None:
        return found
    with shelf.alone(progress):
        meanwhile = shelf.get()
        found = None if meanwhile == kept else _taken_up(meanwhile, progress)
        if found is None:
            found = _compile(progress)
            _keep(shelf, found, progress)
    return found


def _taken_up(kept: bytes | None, progress: Callable[[str], None]) -> Any:
    """What was kept; None where that is nothing, or nothing that does here what it did."""
    if kept is None:
        return None
    progress(TAKING_UP)
    try:
        return from_bytes(kept)
    except StaleCodeError as error:
        progress(f"not as it was ({error}). The model is compiled again")
        return None


def _keep(shelf: Shelf, made: Any, progress: Callable[[str], None]) -> None:
    """Where the code cannot be had out of numba, or be put away, that is told and the next start compiles again."""
    try:
        shelf.put(to_bytes(made))
    except (AttributeError, TypeError, ValueError, RuntimeError, OSError, StaleCodeError) as error:
        progress(f"the compiled model could not be saved for the next start ({error})")


def _compile(progress: Callable[[str], None]) -> Any:
    progress(BUILDING)
    import nutpie
    import pytensor

    from taperwise.model.inference.pymc_model import build

    model = build()
    progress(COMPILING)
    # sums regrouped for speed come out of a cold cache otherwise than of a warm one, and the draws with them
    with pytensor.config.change_flags(numba__fastmath=False):
        made = nutpie.compile_pymc_model(model)
    at = model.initial_point()
    values = [(v.name, np.ravel(at[model.rvs_to_values[v].name])) for v in model.free_RVs]
    middle = np.concatenate([value for _, value in values]).astype(float)
    jitter = np.concatenate([np.full(len(x), _APART if name in _PINNED else _JITTER) for name, x in values])
    return replace(made, initial_point_func=_Start(middle, jitter))


def to_bytes(made: Any) -> bytes:
    """A compiled graph as bytes that `from_bytes` takes.

    Parameters
    ----------
    made : nutpie.CompiledModel
        As `compiled` gives it, compiled in this process.
    """
    names, slices, shapes = made.shape_info
    document = {
        "format": _FORMAT,
        "code": [_code_of(f) for f in (made.compiled_logp_func, made.compiled_expand_func)],
        "data": [
            {"name": v.name, "dtype": made.shared_data[key].dtype.str, "value": made.shared_data[key].tolist()}
            for v, key in made.shared_var_keys.items()
        ],
        "middle": made.initial_point_func.middle.tolist(),
        "jitter": made.initial_point_func.jitter.tolist(),
        "expanded": int(made.n_expanded),
        "names": names,
        "slices": [[int(s.start), int(s.stop)] for s in slices],
        "shapes": [_ints(shape) for shape in shapes],
        "shapes_by_name": {name: _ints(shape) for name, shape in made.shapes.items()},
        "dims": {name: list(dims) for name, dims in made.dims.items()},
        "coords": {name: [str(x) for x in values] for name, values in made.coords.items()},
        "reparameterized": made.reparameterized_names,
        "probe": _probe(made),
    }
    return json.dumps(document).encode()


def from_bytes(kept: bytes) -> Any:
    """A compiled graph from what `to_bytes` gave.

    Raises
    ------
    StaleCodeError
        If it was written by another format, needs what is not in this process, or comes to another result at the point
        that was tried when it was kept.
    """
    import pandas as pd
    from nutpie.compile_pymc import CompiledPyMCModel, make_user_data

    document = json.loads(kept)
    if document["format"] != _FORMAT:
        raise StaleCodeError(f"format {document['format']}, not {_FORMAT}")
    functions = [_loaded(code) for code in document["code"]]
    data = {each["name"]: np.array(each["value"], each["dtype"]) for each in document["data"]}
    for value in data.values():
        value.flags.writeable = False
    keys = {_Name(name, value.ndim): name for name, value in data.items()}
    middle = np.array(document["middle"])
    made = CompiledPyMCModel(
        dims={name: tuple(dims) for name, dims in document["dims"].items()},
        compiled_logp_func=functions[0],
        compiled_expand_func=functions[1],
        initial_point_func=_Start(middle, np.array(document["jitter"])),
        shared_data=data,
        shared_var_keys=keys,
        user_data=make_user_data(keys, data),
        n_expanded=document["expanded"],
        shape_info=(
            document["names"], [slice(*s) for s in document["slices"]], [tuple(s) for s in document["shapes"]],
        ),
        logp_func=None,
        expand_func=None,
        reparameterized_names=document["reparameterized"],
        _n_dim=len(middle),
        _shapes={name: tuple(shape) for name, shape in document["shapes_by_name"].items()},
        _coords={name: pd.Index(values) for name, values in document["coords"].items()},
    )  # fmt: skip
    if _probe(made) != document["probe"]:
        raise StaleCodeError("another result at the point that was tried")
    return made


def _ints(shape: Sequence[Any]) -> list[int]:
    return [int(x) for x in shape]


def _code_of(function: Any) -> dict[str, Any]:
    """A function's machine code, its name in there, and the names it looks for in the process."""
    library = function._library
    module = library._final_module
    needs = [x.name for x in (*module.functions, *module.global_variables) if x.is_declaration]
    _, _, (machine, _) = library.serialize_using_object_code()
    return {
        "entry": function._wrapper_name,
        "machine": base64.b64encode(machine).decode(),
        "needs": [name for name in needs if not name.startswith("llvm.")],
    }


def _loaded(code: Mapping[str, Any]) -> _Function:
    import llvmlite.binding as llvm
    from numba.core.registry import cpu_target
    from numba.core.runtime import rtsys

    rtsys.initialize(cpu_target.target_context)  # names what compiled code asks of numba
    # looked for by us, because the linker ends the process where a name is missing
    missing = [name for name in code["needs"] if llvm.address_of_symbol(name) is None]
    if missing:
        raise StaleCodeError(f"{', '.join(missing)} not in this process")
    target = llvm.Target.from_default_triple().create_target_machine(jit=True)
    engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), target)
    engine.add_object_file(llvm.ObjectFileRef.from_data(base64.b64decode(code["machine"])))
    engine.finalize_object()
    address = engine.get_function_address(code["entry"])
    if not address:
        raise StaleCodeError(f"no {code['entry']} in it")
    return _Function(address, engine)


_DENSITY = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_uint64, *(ctypes.c_void_p,) * 4)
_EXPAND = ctypes.CFUNCTYPE(ctypes.c_int64, ctypes.c_uint64, ctypes.c_uint64, *(ctypes.c_void_p,) * 3)


def _probe(made: Any) -> list[str]:
    """Both functions at one point, to the last bit: ln density, its slope, and the unknowns there."""
    at = made.initial_point_func(1)
    density, slope, unknowns = np.zeros(1), np.zeros_like(at), np.zeros(made.n_expanded)
    x, place = at.ctypes.data, made.user_data.ctypes.data
    failures = (
        _DENSITY(made.compiled_logp_func.address)(len(at), x, slope.ctypes.data, density.ctypes.data, place),
        _EXPAND(made.compiled_expand_func.address)(len(at), len(unknowns), x, unknowns.ctypes.data, place),
    )
    if any(failures):
        raise StaleCodeError(f"it fails at the point that is tried: {failures}")
    return [float(x).hex() for x in (*density, *slope, *unknowns)]
