"""Needles that are no longer on hand: they stay in the log, and no step leads to them."""

from dataclasses import replace

import numpy as np
import pytest

from taperwise.model.design.candidates import CandidateSet, evaluate_candidates
from taperwise.model.design.reachable_settings import destinations_of, prospects_of
from taperwise.model.prediction.setting_draws import predict_current
from taperwise.model.prediction.stages import confidence_of
from taperwise.shared.recommendation import ActionKind
from taperwise.shared.records import Entry, Installation
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.model.without_sampler import engines

_RUN = Run(Air(288.15, 101_325.0), rise=ExhaustRise(RiseSeen.PEAK, 100 / 1.8), idle_quality=IdleQuality.SMOOTH)
_LOG: list[Entry] = [_RUN, _RUN]


def _retired(installation: Installation, labels: set[str]) -> Installation:
    return replace(installation, needles=tuple(replace(n, retired=n.label in labels) for n in installation.needles))


def _weighing(installation: Installation) -> CandidateSet:
    posterior = engines(installation, _LOG, 0.14, 0.03)
    now = predict_current(posterior)
    return evaluate_candidates(posterior, confidence_of(posterior, now), now, informed=False)


def _offered(weighing: CandidateSet) -> set[str]:
    actions = (w.candidate.action for w in weighing.options)
    return {a.needle for a in actions if a.kind is ActionKind.CHANGE_NEEDLE and a.needle}


def test_no_step_leads_to_a_retired_needle(installation: Installation) -> None:
    """Whatever needles are offered, once they are retired others are; the chances of those that stay are the same."""
    before = _weighing(installation)
    offered = _offered(before)
    assert offered
    after = _weighing(_retired(installation, offered))
    assert not _offered(after) & offered
    assert _offered(after)
    assert set(after.reaches) == set(before.reaches) - offered
    assert after.any_chance <= before.any_chance
    for label, reach in after.reaches.items():
        assert reach == before.reaches[label]


@pytest.mark.parametrize("retired", [set[str](), {"taper 30.6"}, {"taper 30.0"}])
def test_no_tuning_ends_at_a_retired_needle(installation: Installation, retired: set[str]) -> None:
    """Neither the prospects nor the settings a tuning may end at; the installed needle counts until it is changed."""
    known = {n.label for n in installation.needles}
    assert retired <= known
    posterior = engines(_retired(installation, retired), _LOG, 0.14, 0.03)
    now = predict_current(posterior)
    prospects = prospects_of(posterior, now.position, now.conditions)
    expected = known - (retired - {now.position.needle})
    assert set(prospects.needles) == {p.needle for p in prospects.positions} == expected
    ends = destinations_of(posterior, prospects, now.conditions, np.arange(50))
    assert {p.needle for p in ends.positions} == expected
