"""The sampler draws the same wherever it was compiled, and never takes the process with it."""

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from model.advisor import Advisor
from model.evidence import gather, readings_of
from model.sampler import FIRST_TRY
from shared.errors import NotConvergedError
from shared.records import Installation
from shared.runs import Air, ExhaustRise, RiseSeen, Run

_ROOT = Path(__file__).parents[2]
_RUN = Run(Air(288.15, 101_325.0), rise=ExhaustRise(RiseSeen.PEAK, 50.0))

_ELSEWHERE = """
from pathlib import Path
from api import compile_cache
compile_cache.use(Path({folder!r}))
from model.evidence import gather
from model.sampler import FIRST_TRY, Sampler
from shared.records import Installation
from shared.runs import Air, ExhaustRise, RiseSeen, Run
from tests.conftest import NEEDLES
run = Run(Air(288.15, 101_325.0), rise=ExhaustRise(RiseSeen.PEAK, 50.0))
drawn = Sampler().fit_once(gather(Installation(NEEDLES, "taper 30.0"), [run]), 1, FIRST_TRY)
print(drawn.unknowns.offset.tobytes().hex())
"""


@pytest.mark.slow
def test_draws_are_the_same_in_any_process(advisor: Advisor, installation: Installation, tmp_path: Path) -> None:
    """Same evidence and seed, same draws to the last bit: compiled anew, and from what that left in its cache."""
    here = advisor.sampler.fit_once(gather(installation, [_RUN]), 1, FIRST_TRY).unknowns.offset
    script = [sys.executable, "-c", _ELSEWHERE.format(folder=str(tmp_path))]
    bare = {k: v for k, v in os.environ.items() if k not in ("PYTENSOR_FLAGS", "NUMBA_CACHE_DIR")}
    for order in ("1", "2"):
        done = subprocess.run(
            script, capture_output=True, text=True, check=True, env={**bare, "PYTHONHASHSEED": order}, cwd=_ROOT
        )
        there = np.frombuffer(bytes.fromhex(done.stdout.split()[-1])).reshape(here.shape)
        np.testing.assert_array_equal(there, here)


def test_a_breakdown_of_the_compiled_part_is_an_error_of_ours(advisor: Advisor, installation: Installation) -> None:
    """Readings of another length than their settings break the compiled graph: an ordinary error, and the next fit is
    as if nothing had been.
    """
    evidence = gather(installation, [_RUN])
    before = advisor.sampler.fit_once(evidence, 1, FIRST_TRY)
    broken = replace(evidence, readings=readings_of([_RUN] * 3), settings=gather(installation, [_RUN] * 2).settings)
    with pytest.raises(NotConvergedError, match="broke down"):
        advisor.sampler.fit(broken, 1)
    after = advisor.sampler.fit_once(evidence, 1, FIRST_TRY)
    np.testing.assert_array_equal(after.unknowns.offset, before.unknowns.offset)
