"""The sampler is never believed unchecked, and never takes the process with it."""

from dataclasses import replace

import pytest

from model.evidence import gather, readings_of
from model.sampler import Sampler
from shared.errors import NotConvergedError
from shared.records import Installation
from shared.runs import Air, ExhaustRise, RiseSeen, Run

_RUN = Run(Air(288.15, 101_325.0), rise=ExhaustRise(RiseSeen.PEAK, 50.0))


@pytest.mark.slow
def test_a_breakdown_of_the_compiled_part_is_an_error_of_ours(installation: Installation) -> None:
    """Readings of another length than their settings break the compiled graph; what comes back is an ordinary error."""
    evidence = gather(installation, [_RUN])
    broken = replace(evidence, readings=readings_of([_RUN] * 3), settings=gather(installation, [_RUN] * 2).settings)
    with pytest.raises(NotConvergedError, match="broke down"):
        Sampler().fit(broken, 1)
