"""Private fields of nutpie and numba that a compiled model is kept by: these fail where a release moves them."""

import dataclasses
import re
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest

_ROOT = Path(__file__).parents[1]


def test_nutpie_takes_and_gives_what_a_kept_model_has() -> None:
    """Every argument by which `compiled_logp.from_bytes` makes a model, and every attribute that is read of one."""
    from nutpie.compile_pymc import CompiledPyMCModel, make_user_data

    fields = {each.name: each for each in dataclasses.fields(CompiledPyMCModel)}
    given = {
        "dims", "compiled_logp_func", "compiled_expand_func", "initial_point_func", "shared_data", "shared_var_keys",
        "user_data", "n_expanded", "shape_info", "logp_func", "expand_func", "reparameterized_names", "_n_dim",
        "_shapes", "_coords",
    }  # fmt: skip
    missing = dataclasses.MISSING
    needed = {n for n, f in fields.items() if f.default is missing and f.default_factory is missing}
    assert needed <= given <= set(fields)
    assert callable(make_user_data)


def test_numba_gives_the_code_it_compiled() -> None:
    """Machine code, entry and what it needs, of a function compiled now."""
    from numba import cfunc, types
    from numba.core.registry import cpu_target
    from numba.core.runtime import rtsys

    @cfunc(types.float64(types.float64))
    def twice(x: float) -> float:
        return 2.0 * x

    library = twice._library
    assert isinstance(twice._wrapper_name, str)
    assert {f.name for f in library._final_module.functions}
    _, _, (machine, _) = library.serialize_using_object_code()
    assert isinstance(machine, bytes)
    assert cpu_target.target_context is not None
    assert callable(rtsys.initialize)


@pytest.mark.parametrize("library", ["nutpie", "numba", "llvmlite"])
def test_the_next_release_is_not_taken_unseen(library: str) -> None:
    """An upper bound stands where private fields are used, and what is installed is below."""
    listed = tomllib.loads((_ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    (line,) = [each for each in listed if re.match(rf"{library}\b", each)]
    (bound,) = re.findall(r"<([\d.]+)", line)
    installed = [int(part) for part in re.findall(r"\d+", version(library))]
    assert installed < [int(part) for part in bound.split(".")]
