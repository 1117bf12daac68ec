"""The pool as owners and readers see it: consent, what leaves, versions, withdrawal, exchange."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select
from sqlalchemy.orm import Session
from typer.testing import CliRunner

from taperwise.api.cli.main import app
from taperwise.api.core.settings import Settings
from taperwise.api.pooling.disclosure_control import disclosure_violation
from taperwise.api.pooling.pseudonyms import owner_hash
from taperwise.api.pooling.release import release
from taperwise.api.pooling.repository import audited, left_out, members
from taperwise.api.pooling.tables import Contribution
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
from tests.api.pooling import NEEDLES, NOW, contributed, database_of, publish, quick_fit

_NOT_YET = "your own engines are in it and cannot be left out before the next version"


def test_what_leaves_is_a_summary_and_coarse_traits(client: Client, stand_in: StandIn) -> None:
    """Nothing else leaves, and only with consent: no number, name, label, text, nor a time finer than a quarter."""
    body = {"needles": NEEDLES, "name": "her blue one", "engine": {"displacement": {"value": 2187, "unit": "cc"}}}
    place = client.post("/api/v1/installations", json=body).headers["Location"]
    problem(client.post(f"{place}/contribution", json={"consent": True}), 409)
    client.post(f"{place}/runs", json=RUN)
    problem(client.post(f"{place}/contribution", json={}), 422)
    problem(client.post(f"{place}/contribution", json={"consent": False}), 422)
    answer = client.post(f"{place}/contribution", json={"consent": True}).json()
    left = answer["contribution"]
    assert set(left) == {
        "schema_version", "mark", "scale", "unknowns", "model_version", "quarter", "kind", "components",
    }  # fmt: skip
    assert set(left["kind"]) == {"gas_speed", "cylinders", "cooling", "fuel", "taper"}
    assert left["quarter"][4] == "Q"
    written = json.dumps(left)
    assert not any(word in written for word in ("blue", "2187", "2.187", answer["owner"], '"a"'))
    assert client.get(f"{place}/contribution").json() == answer
    problem(client.post(f"{place}/contribution", json={"consent": True}), 409)


def test_nothing_is_published_from_fewer_than_five_owners(client: Client, stand_in: StandIn) -> None:
    """Engines of one owner count once; a kind that fewer than five owners share stays out."""
    first = contributed(client, stand_in, (1.0, 0.0))
    for i in range(5):
        contributed(client, stand_in, (1.0, 0.1 + i), owner=first["owner"])
    for i in range(3):
        contributed(client, stand_in, (2.0, float(i)))
    with pytest.raises(ConflictError, match="4 distinct owners"):
        publish(client)
    contributed(client, stand_in, (3.0, 0.0), engine={"cooling": "liquid"})
    with pytest.raises(ConflictError, match="0 distinct owners"):
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
        with pytest.raises(ConflictError, match=f"differ from version 1 by {i + 1} owners"):
            publish(client)
    client.delete(f"{made[0]['place']}/contribution")
    assert publish(client).version == 2


def test_no_two_versions_together_expose_a_few() -> None:
    """Not only neighbours: what came and went again leaves no small difference to a version further back."""
    base = {f"d{i}": f"o{i}" for i in range(8)}
    second = base | {f"e{i}": f"p{i}" for i in range(5)}
    back = base | {"e0": "p0"}
    assert disclosure_violation(second, [base], 5) == ""
    assert "version 1 by 1 owners" in disclosure_violation(back, [base, second], 5)
    one_owner = base | {f"f{i}": "q" for i in range(9)}
    assert "by 1 owners" in disclosure_violation(one_owner, [base], 5)


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
    # a digest would tell whoever holds a contribution that it is in
    assert odd["digest"] not in client.get("/api/v1/pool").text
    assert all(set(a) == {"quarter", "version", "engines", "came", "went"} for a in audit)


def test_a_fit_that_is_not_to_be_believed_is_not_published(
    client: Client, stand_in: StandIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Chains that stay apart, with care too: the pool has no version, and no prior is kept from it."""
    tries: list[int] = []

    def apart(
        _: PopulationSampler, measured: EngineSummaries, priors: Priors, seed: int, options: dict[str, Any]
    ) -> Any:
        tries.append(options["draws"])
        return replace(quick_fit(measured), rhat_max=1.3)

    monkeypatch.setattr(PopulationSampler, "_nuts", apart)
    mine = contributed(client, stand_in, (1.0, 1.0))
    for i in range(5):
        contributed(client, stand_in, (2.0, float(i)))
    with pytest.raises(NotConvergedError, match=r"R-hat 1\.300, at most 1\.01"):
        release(database_of(client), 5, NOW)
    assert tries == [1000, 2000]
    shown = client.get("/api/v1/pool").json()
    assert (shown["latest"], shown["versions"], shown["audit"]) == (None, [], [])
    publish(client)
    place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
    refused = client.post(f"{place}/prior", json={"prior": "pool", "owner": mine["owner"]})
    problem(refused, 503)
    assert "expert prior" in refused.text
    assert client.get(f"{place}/start").json()["prior"]["prior"] == "expert"
    assert client.post(f"{place}/prior", json={"prior": "expert"}).status_code == 201


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
    assert "Make another run first" in told["errors"][0]["cure"]
    assert not client.get(f"{mine['place']}/contribution").json()["withdrawn"]


def test_whoever_runs_the_service_sees_what_happened(client: Client, stand_in: StandIn, settings: Settings) -> None:
    """Line by line; a digest would name an engine, and none is told."""
    made = [contributed(client, stand_in, (1.0, float(i))) for i in range(5)]
    publish(client)
    client.delete(f"{made[0]['place']}/contribution")
    done = CliRunner().invoke(app, ["pool", "audit", "--data-folder", str(settings.data_folder)])
    assert done.exit_code == 0, done.output
    told = [line.split(maxsplit=1)[1] for line in done.stdout.splitlines()]
    assert told == [*["contributed, 1"] * 5, "published version 1, 5", "withdrawn, 1"]


def test_a_contribution_tells_nobody_that_it_is_there(client: Client, stand_in: StandIn) -> None:
    """Whoever holds the very log of an engine, and contributes it as their own, is answered as if it were new; its
    owner is told that it is there, and may leave it again once it was taken back.
    """
    mine = contributed(client, stand_in, (1.0, 2.0))
    copied = contributed(client, stand_in, (1.0, 2.0))
    same = ("components", "kind", "unknowns", "scale")
    assert [copied["contribution"][name] for name in same] == [mine["contribution"][name] for name in same]
    assert copied["digest"] != mine["digest"]
    again = f"{mine['place']}/contribution"
    problem(client.post(again, json={"consent": True}), 409)
    client.delete(again)
    anew = client.post(again, json={"consent": True})
    assert anew.status_code == 201
    assert [h["what"] for h in anew.json()["history"]] == ["contributed", "withdrawn", "contributed"]


def test_an_engine_starts_from_the_pool_if_asked(client: Client, stand_in: StandIn) -> None:
    """The prior says what it rests on, the start its chances; it is chosen before the first entry and then stays."""
    client.app.state.fitter = quick_fit  # type: ignore[attr-defined] # as above
    place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
    nothing = client.post(f"{place}/prior", json={"prior": "pool"}).json()
    assert nothing["prior"] == "expert"
    assert "nothing is published" in nothing["why"]
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


def test_an_owners_engines_never_inform_their_own_prior(client: Client, stand_in: StandIn) -> None:
    """Where the owner stands behind the version, it is fitted anew without them; with too few others, not at all."""
    client.app.state.fitter = quick_fit  # type: ignore[attr-defined] # as above
    mine = contributed(client, stand_in, (60.0, 0.0))
    for i in range(4):
        contributed(client, stand_in, (1.0, float(i)))
    publish(client)
    place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
    wanted = {"prior": "pool", "owner": mine["owner"]}
    alone = client.post(f"{place}/prior", json=wanted).json()
    assert (alone["prior"], alone["why"]) == (
        "expert",
        _NOT_YET,
    )
    for i in range(5):
        contributed(client, stand_in, (2.0, float(i)))
    publish(client)
    without = client.post(f"{place}/prior", json=wanted).json()
    assert "your own engines left out" in without["why"]
    client.post(f"{place}/runs", json=RUN)
    stranger = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
    client.post(f"{stranger}/prior", json={"prior": "pool"})
    with database_of(client).reading() as session:
        own = left_out(session, 2, _without(session, 2, mine["owner"]))
    assert own is not None
    ours, _ = stand_in.prior, client.post(f"{stranger}/runs", json=RUN)
    theirs = stand_in.prior
    assert ours is not None
    assert theirs is not None
    assert ours.centre[-2] == pytest.approx((4 * 1.0 + 5 * 2.0) / (9 * 4 + 1), abs=0.03)
    assert theirs.centre[-2] == pytest.approx((60 + 4 * 1.0 + 5 * 2.0) / (10 * 4 + 1), abs=0.08)


def _without(session: Session, version: int, owner: str) -> str:
    """What stands for a version's engines of one owner."""
    return owner_hash(" ".join(str(row.id) for row in members(session, version) if row.owner == owner_hash(owner)))


def test_what_is_left_out_tells_nothing_of_others(client: Client, stand_in: StandIn) -> None:
    """Once somebody else took theirs back, a version without one's own engines would tell what that was: then it is
    not to be had, or it is the very one that was told before.
    """
    client.app.state.fitter = quick_fit  # type: ignore[attr-defined] # as above
    mine, early, other = (contributed(client, stand_in, (x, 0.0)) for x in (1.0, 2.0, 50.0))
    for i in range(6):
        contributed(client, stand_in, (1.0, float(i)))
    publish(client)

    def started(owner: str) -> dict[str, Any]:
        place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
        return dict(client.post(f"{place}/prior", json={"prior": "pool", "owner": owner}).json())

    before = started(early["owner"])
    client.delete(f"{other['place']}/contribution")
    late = started(mine["owner"])
    assert (late["prior"], late["why"]) == (
        "expert",
        _NOT_YET,
    )
    assert started(early["owner"]) == before
    assert before["prior"] == "pool"


def test_leaving_out_keeps_every_trait_shared(client: Client, stand_in: StandIn) -> None:
    """A trait that five owners share is fitted from no fewer for one of the five."""
    client.app.state.fitter = quick_fit  # type: ignore[attr-defined] # as above
    liquid = [contributed(client, stand_in, (1.0, float(i)), engine={"cooling": "liquid"}) for i in range(5)]
    for i in range(6):
        contributed(client, stand_in, (2.0, float(i)))
    publish(client)
    place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
    found = client.post(f"{place}/prior", json={"prior": "pool", "owner": liquid[0]["owner"]}).json()
    assert (found["prior"], found["why"]) == (
        "expert",
        _NOT_YET,
    )


def test_engines_given_one_token_later_are_one_owners(client: Client, stand_in: StandIn) -> None:
    """Each left with a token of its own at first; contributed again under one, all of them count as one owner."""
    made = [contributed(client, stand_in, (float(i), 1.0)) for i in range(5)]
    for i, each in enumerate(made[1:], start=1):
        stand_in.shift = (float(i), 2.0)
        again = client.post(f"{each['place']}/contribution", json={"consent": True, "owner": made[0]["owner"]})
        assert again.status_code == 201
    with database_of(client).reading() as session:
        everything = session.scalars(select(Contribution.owner)).all()
    assert (len(everything), set(everything)) == (9, {owner_hash(made[0]["owner"])})


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
