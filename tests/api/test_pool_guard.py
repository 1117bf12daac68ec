"""Attacks on the guard of the pool's versions: coming, going and subtracting isolate nobody."""

import numpy as np
import pytest

from taperwise.api.pooling.disclosure_control import Behind, disclosure_violation
from taperwise.api.pooling.fitting import measured_rows, one_per_engine
from taperwise.api.pooling.repository import live
from taperwise.model.inference.engine_prior import POOLED
from taperwise.model.population.published import enough_owners, publish
from taperwise.shared.errors import ConflictError
from tests.api.asking import Client
from tests.api.conftest import StandIn
from tests.api.pooling import contributed, database_of, quick_fit
from tests.api.pooling import publish as published

_GAIN = POOLED.index("gain_full")


def test_no_version_isolates_a_few_however_contributions_come_and_go() -> None:
    """Random histories of coming, running on and going: of versions let through, no two differ by under five."""
    rng = np.random.default_rng(9)
    let_through = 0
    for _ in range(60):
        live: dict[str, Behind] = {}
        versions: list[dict[str, Behind]] = []
        for step in range(60):
            if live and rng.random() < 0.35:
                live.pop(str(rng.choice(sorted(live))))
            elif live and rng.random() < 0.2:
                run_on = str(rng.choice(sorted(live)))
                live[run_on] = live[run_on]._replace(log=f"log {step}")
            else:
                live[f"d{step}"] = Behind(f"o{rng.integers(25)}", f"log {step}")
            if not disclosure_violation(live, versions, 5):
                versions.append(dict(live))
        let_through += len(versions)
        for i, a in enumerate(versions):
            assert len({each.owner for each in a.values()}) >= 5
            for b in versions[i + 1 :]:
                assert len({each.owner for each in {*a.values()} ^ {*b.values()}}) >= 5
    assert let_through > 120


def test_subtracting_versions_tells_no_single_engine(client: Client, stand_in: StandIn) -> None:
    """An owner who knows every engine but one contributes and withdraws to be shown two versions that differ by it.

    Were a difference of one owner published, its reading would be what the versions' sums differ by. The guard refuses
    each try, whatever of the attacker's own comes and goes, and again when the target goes; what two versions differ by
    in the end is the sum of five owners, of whom the attacker is one.
    """
    known = [contributed(client, stand_in, (1.0, float(i))) for i in range(6)]
    attacker = known[0]["owner"]
    first = published(client)
    target = contributed(client, stand_in, (9.0, 0.0))
    with database_of(client).reading() as session:
        unguarded = publish(quick_fit(measured_rows(one_per_engine(live(session)))))
    told = _sum_told(unguarded.mean.tolist(), 7) - _sum_told(first.mean, 6)
    assert told == pytest.approx(9.0, abs=0.5)  # rounded to a hundredth, times 4 × 7 + 1
    for i in range(6):
        mine = contributed(client, stand_in, (1.0, 10.0 + i), owner=attacker)
        _refused(client, "by only 2 owners")
        client.delete(f"{(mine if i % 2 else known[0])['place']}/contribution")
        _refused(client, "by only 2 owners")
    for x in (-8.0, 7.0, 2.0):
        contributed(client, stand_in, (x, 20.0))
    second = published(client)
    attackers_change = 3 * 1.0 - 1.0  # three engines more, the first taken back
    left = _sum_told(second.mean, 6 + 1 + 3 + 2) - _sum_told(first.mean, 6) - attackers_change
    assert left == pytest.approx(9.0 - 8.0 + 7.0 + 2.0, abs=0.8)  # the four together, no more
    assert abs(left - 3 * 1.0 - 9.0) > 1.5  # the other three, unknown, hide it; rounding moves it by 0.8
    for x in (3.0, 4.0):
        contributed(client, stand_in, (x, 21.0))
    client.delete(f"{target['place']}/contribution")
    _refused(client, "only 3 owners since version 2")
    for _ in range(3):
        mine = contributed(client, stand_in, (1.0, 30.0), owner=attacker)
        _refused(client, "only 4 owners since version 2")
        client.delete(f"{mine['place']}/contribution")
    assert client.get("/api/v1/pool").json()["versions"] == [1, 2]


def _sum_told(mean: list[float], engines: int) -> float:
    """Sum of what engines say of their gain, from a version's mean: their precision is 4 each, the prior's 1."""
    return mean[_GAIN] * (4 * engines + 1)


def _refused(client: Client, why: str) -> None:
    with pytest.raises(ConflictError, match=why):
        published(client)


def test_a_rare_trait_waits(rng: np.random.Generator) -> None:
    """Whoever is the only one of a kind is in no version, nor is a pair of kinds of which too few share a trait."""
    covariates = np.ones((12, 3))
    covariates[0, 1] = 2.0
    covariates[1:5, 2] = 3.0
    owners = [f"o{i}" for i in range(12)]
    kept = enough_owners(covariates, owners, 5)
    assert kept.tolist() == [False] * 5 + [True] * 7
    assert not enough_owners(covariates, ["one"] * 12, 5).any()
