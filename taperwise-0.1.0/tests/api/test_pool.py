"""The pool as owners and readers see it: consent, what leaves, versions, withdrawal."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import delete
from typer.testing import CliRunner

from taperwise.api.cli.main import app
from taperwise.api.core.database import Entry
from taperwise.api.core.settings import Settings
from taperwise.api.pooling.disclosure_control import Behind, disclosure_violation
from taperwise.api.pooling.release import release
from taperwise.api.pooling.repository import audited
from taperwise.api.schemas.pool_documents import contribution_of
from taperwise.model.inference.engine_prior import POOLED
from taperwise.model.population.covariates import Kind
from taperwise.model.population.engine_summaries import EngineSummaries, Priors
from taperwise.model.population.fitting import PopulationSampler
from taperwise.model.population.summary import Component, Summary
from taperwise.shared.errors import ConflictError, InvalidValueError, NotConvergedError
from taperwise.shared.records import Cooling, Fuel
from tests.api.asking import RUN, Client, problem
from tests.api.conftest import StandIn
from tests.api.pooling import NEEDLES, NOW, contributed, database_of, owned, publish, quick_fit


def test_what_leaves_is_a_summary_and_coarse_traits(client: Client, stand_in: StandIn) -> None:
    """Nothing else leaves, and only with consent: no number, name, label, text, nor a time finer than a quarter."""
    body = {"needles": NEEDLES, "name": "her blue one", "engine": {"displacement": {"value": 2187, "unit": "cc"}}}
    place = client.post("/api/v1/installations", json=body).headers["Location"]
    problem(client.post(f"{place}/contribution", json={"consent": True}), 409)
    client.post(f"{place}/runs", json=RUN)
    nobodys = problem(client.post(f"{place}/contribution", json={"consent": True}), 409)
    assert ("has no owner" in nobodys["detail"], "sign-in on" in nobodys["errors"][0]["cure"]) == (True, True)
    owned(client, place)
    problem(client.post(f"{place}/contribution", json={}), 422)
    problem(client.post(f"{place}/contribution", json={"consent": False}), 422)
    answer = client.post(f"{place}/contribution", json={"consent": True}).json()
    left = answer["contribution"]
    assert set(left) == {"schema_version", "scale", "unknowns", "model_version", "quarter", "kind", "components"}
    assert set(left["kind"]) == {"gas_speed", "cylinders", "cooling", "fuel", "taper"}
    assert left["quarter"][4] == "Q"
    written = json.dumps(left)
    assert not any(word in written for word in ("blue", "2187", "2.187", "owner", '"a"'))
    assert client.get(f"{place}/contribution").json() == answer
    problem(client.post(f"{place}/contribution", json={"consent": True}), 409)


def test_nothing_is_published_from_fewer_than_five_owners(client: Client, stand_in: StandIn) -> None:
    """Engines of one owner count once; a kind that fewer than five owners share stays out."""
    first = contributed(client, stand_in, (1.0, 0.0))
    for i in range(5):
        contributed(client, stand_in, (1.0, 0.1 + i), owner=first["owner"])
    for i in range(3):
        contributed(client, stand_in, (2.0, float(i)))
    with pytest.raises(ConflictError, match="has 4 owners,"):
        publish(client)
    contributed(client, stand_in, (3.0, 0.0), engine={"cooling": "liquid"})
    with pytest.raises(ConflictError, match="has 0 owners,"):
        publish(client)
    contributed(client, stand_in, (3.0, 1.0))
    made = publish(client)
    assert (made.version, made.engines) == (1, 10)
    shown = client.get("/api/v1/pool").json()
    assert shown["latest"]["version"] == 1
    assert shown["versions"] == [1]


def test_versions_come_in_batches(client: Client, stand_in: StandIn) -> None:
    """A version differs from every earlier one by five owners or more, whether they came or went."""
    made = [contributed(client, stand_in, (float(i), 1.0)) for i in range(8)]
    publish(client)
    with pytest.raises(ConflictError, match="same as version 1"):
        publish(client)
    for i in range(4):
        contributed(client, stand_in, (float(i), 2.0))
        with pytest.raises(ConflictError, match=f"only {i + 1} owners? since version 1"):
            publish(client)
    client.delete(f"{made[0]['place']}/contribution")
    assert publish(client).version == 2


def test_no_two_versions_together_expose_a_few() -> None:
    """Not only neighbours: what came and went again leaves no small difference to a version further back; nor is an
    engine whose log another owner holds, too, a difference.
    """
    base = {f"d{i}": Behind(f"o{i}", "log") for i in range(8)}
    second = base | {f"e{i}": Behind(f"p{i}", "log") for i in range(5)}
    back = base | {"e0": Behind("p0", "log")}
    assert disclosure_violation(second, [base], 5) == ""
    assert "only 1 owner since version 1" in disclosure_violation(back, [base, second], 5)
    one_owner = base | {f"f{i}": Behind("q", "log") for i in range(9)}
    assert "only 1 owner since" in disclosure_violation(one_owner, [base], 5)
    run_on = base | {f"d{i}": Behind(f"o{i}", "a longer one") for i in range(4)}
    assert "only 4 owners since" in disclosure_violation(run_on, [base], 5)
    held = {engine: Behind(f"another {each.owner}", each.log) for engine, each in base.items()}
    assert "same as version 1" in disclosure_violation(held, [base], 5)


def test_a_withdrawn_contribution_is_out_of_the_next_version(client: Client, stand_in: StandIn) -> None:
    """It is deleted at once, stands behind no later version, its weight is gone; its owner sees when, others only what
    went with the next version, in fives.
    """
    odd = contributed(client, stand_in, (40.0, 0.0))
    for i in range(6):
        contributed(client, stand_in, (1.0, float(i)))
    before = publish(client)
    gone = client.delete(f"{odd['place']}/contribution").json()
    assert gone["withdrawn"]
    assert gone["contribution"] is None
    assert gone["in_versions"] == [1]
    problem(client.delete(f"{odd['place']}/contribution"), 404)
    for i in range(4):
        contributed(client, stand_in, (1.5, float(i)))
    after = publish(client)
    at = after.unknowns.index("gain_full")
    assert before.mean[at] > 1.4  # (40 + 6 × 1) / (7 × 4 + 1) ≈ 1.59
    assert after.mean[at] == pytest.approx((6 * 1.0 + 4 * 1.5) / (10 * 4 + 1), abs=0.02)
    assert client.get(f"{odd['place']}/contribution").json()["in_versions"] == [1]
    for each in ("contributed", "withdrawn"):
        assert [h["what"] for h in gone["history"]].count(each) == 1
    audit = client.get("/api/v1/pool").json()["audit"]
    assert [(a["version"], a["engines"], a["came"], a["went"]) for a in audit] == [(1, 5, 5, 0), (2, 10, 0, 0)]
    assert all(set(a) == {"quarter", "version", "engines", "came", "went"} for a in audit)


def test_a_fit_that_is_not_to_be_believed_is_not_published(
    client: Client, stand_in: StandIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Chains that stay apart, with care too: the pool has no version."""
    tries: list[int] = []

    def apart(
        _: PopulationSampler, measured: EngineSummaries, priors: Priors, seed: int, options: dict[str, Any]
    ) -> Any:
        tries.append(options["draws"])
        return replace(quick_fit(measured), rhat_max=1.3)

    monkeypatch.setattr(PopulationSampler, "_nuts", apart)
    for i in range(5):
        contributed(client, stand_in, (2.0, float(i)))
    with pytest.raises(NotConvergedError, match=r"R-hat 1\.300, at most 1\.01"):
        release(database_of(client), 5, NOW)
    assert tries == [1000, 2000]
    shown = client.get("/api/v1/pool").json()
    assert (shown["latest"], shown["versions"], shown["audit"]) == (None, [], [])


def test_what_happens_between_versions_is_told_to_its_owner_alone(client: Client, stand_in: StandIn) -> None:
    """Nobody who looks at the pool sees that something came or went before the next version."""
    made = [contributed(client, stand_in, (1.0, float(i))) for i in range(6)]
    publish(client)
    before = client.get("/api/v1/pool").text
    contributed(client, stand_in, (2.0, 0.0))
    client.delete(f"{made[0]['place']}/contribution")
    assert client.get("/api/v1/pool").text == before
    with database_of(client).reading() as session:
        assert [a.what for a in audited(session)][-3:] == ["published", "contributed", "withdrawn"]


def test_what_cannot_be_told_is_not_kept(client: Client, stand_in: StandIn) -> None:
    """A figure beyond all that a document holds is refused in words, and what was left before stays."""
    mine = contributed(client, stand_in, (1.0, 0.0))
    stand_in.shift = (1e12, 0.0)
    told = problem(client.post(f"{mine['place']}/contribution", json={"consent": True}), 409)
    assert "Make another run" in told["errors"][0]["cure"]
    assert not client.get(f"{mine['place']}/contribution").json()["withdrawn"]


def test_whoever_runs_the_service_sees_what_happened(client: Client, stand_in: StandIn, settings: Settings) -> None:
    """Line by line, without naming an engine."""
    made = [contributed(client, stand_in, (1.0, float(i))) for i in range(5)]
    publish(client)
    client.delete(f"{made[0]['place']}/contribution")
    done = CliRunner().invoke(app, ["pool", "audit", "--data-folder", str(settings.data_folder)])
    assert done.exit_code == 0, done.output
    told = [line.split(maxsplit=1)[1] for line in done.stdout.splitlines()]
    assert told == [*["contributed, 1"] * 5, "published version 1, 5", "withdrawn, 1"]


def test_an_engine_starts_from_the_pool_if_asked(client: Client, stand_in: StandIn) -> None:
    """The prior says what it rests on, the start its chances; it is chosen before the first entry and then stays."""
    place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
    nothing = client.post(f"{place}/prior", json={"prior": "pool"}).json()
    assert nothing["prior"] == "expert"
    assert "no published version" in nothing["why"]
    expert = client.get(f"{place}/start").json()
    assert "Too little is known" in expert["advice"]
    for i in range(6):
        contributed(client, stand_in, (1.0, float(i)))
    publish(client)
    chosen = client.post(f"{place}/prior", json={"prior": "pool"}).json()
    assert chosen["prior"] == "pool"
    rests = chosen["rests"]
    assert (rests["engines"], rests["version"], rests["quarter"]) == (5, 1, "2026Q2")
    assert rests["spread_full"] < 0.6
    assert 0 < rests["similar"] <= 5
    start = client.get(f"{place}/start").json()
    assert start["prior"] == chosen
    assert start["needles"][0]["needle"] == "a"
    assert start["cautions"]
    client.post(f"{place}/runs", json=RUN)
    problem(client.post(f"{place}/prior", json={"prior": "expert"}), 409)
    assert stand_in.prior is not None
    assert stand_in.prior.covariance()[-1, -1] < 0.5


def test_an_engine_informs_no_prior_of_its_own(client: Client, stand_in: StandIn) -> None:
    """Refused after an entry; and were there none left, refused because its own summary is in the version."""
    mine, *_ = (contributed(client, stand_in, (1.0, float(i))) for i in range(5))
    publish(client)
    assert "before the first entry" in problem(_wanted(client, mine["place"], "pool"), 409)["detail"]
    with database_of(client).unit() as session:
        session.execute(delete(Entry).where(Entry.installation_id == int(mine["place"].rpartition("/")[2])))
    told = problem(_wanted(client, mine["place"], "pool"), 409)
    assert "own summary is in the latest version" in told["detail"]
    assert "standard" in told["errors"][0]["cure"]
    assert _wanted(client, mine["place"], "expert").status_code == 201


def _wanted(client: Client, place: str, prior: str) -> Any:
    return client.post(f"{place}/prior", json={"prior": prior})


def test_other_units_are_neither_fitted_nor_served(
    client: Client, stand_in: StandIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a change of the table of priors, what was told before means something else."""
    for i in range(6):
        contributed(client, stand_in, (2.0, float(i)))
    publish(client)
    place, another = (
        client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"] for _ in range(2)
    )
    assert _wanted(client, place, "pool").json()["prior"] == "pool"
    for module in ("installations.prior", "pooling.prior_source", "pooling.fitting"):
        monkeypatch.setattr(f"taperwise.api.{module}.SCALE", "0" * 16)
    kept = client.get(f"{place}/start").json()["prior"]
    assert (kept["prior"], "another release" in kept["why"]) == ("expert", True)
    assert "units of another release" in _wanted(client, another, "pool").json()["why"]
    with pytest.raises(ConflictError, match="has 0 owners,"):
        publish(client)


@given(
    st.integers(0, 2**31),
    st.lists(st.floats(-3.0, 6.0), min_size=0, max_size=len(POOLED) - 1),
)
def test_whatever_was_learned_can_be_read_again(seed: int, sizes: list[float]) -> None:
    """Precisions of any strength, most directions untaught: rounded to five digits they are read as none below nought,
    and within rounding as they were.
    """
    rng = np.random.default_rng(seed)
    turned, _ = np.linalg.qr(rng.standard_normal((len(POOLED), len(POOLED))))
    strengths = np.r_[10.0 ** np.array(sizes), np.zeros(len(POOLED) - len(sizes))]
    precision = (turned * strengths) @ turned.T
    summary = Summary((Component(0.5 * (precision + precision.T), rng.standard_normal(len(POOLED))),), 0.0)
    kind = Kind(0, "3-4", Cooling.AIR, Fuel.AVGAS, 30)
    found = contribution_of(summary, kind, "1", "2026Q1").summary().components[0].precision
    assert np.linalg.eigvalsh(found)[0] >= -1e-9 * max(strengths.max(), 1.0)
    assert np.abs(found - precision).max() <= 2e-4 * strengths.max()


def test_the_floor_has_a_floor(tmp_path: Path) -> None:
    """Fewer than three owners cannot be asked for."""
    with pytest.raises(InvalidValueError, match="greater than or equal to 3"):
        Settings(data_folder=tmp_path, pool_floor=2)


def test_a_covariance_survives_rounding(client: Client, stand_in: StandIn) -> None:
    """What is published, though rounded, is a covariance still."""
    for i in range(5):
        contributed(client, stand_in, (float(i), 1.0))
    made = publish(client)
    assert np.linalg.eigvalsh(np.array(made.covariance))[0] > -1e-6
